package round

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

var now = time.Date(2027, 5, 14, 15, 0, 0, 0, time.UTC)

func open(yard outyard.YardID, hive outyard.HiveID, kind outyard.Kind, s outyard.Severity, facts ...any) outyard.Finding {
	f := outyard.Finding{ID: fmt.Sprintf("%s-%s-%s", kind, yard, hive), Kind: kind, Yard: yard, Hive: hive, Severity: s, State: outyard.Open,
		Onset: now.Add(-time.Hour), Summary: "It is so.", Facts: map[string]any{}}
	for i := 0; i < len(facts); i += 2 {
		f.Facts[facts[i].(string)] = facts[i+1]
	}
	return f
}

// Four yards on a road from home eastward, 10 km apart, and one to the north.
var road = []outyard.Yard{
	{ID: "d", Name: "Delta", Latitude: 50, Longitude: 0.56, TripMinutes: 60},
	{ID: "a", Name: "Alpha", Latitude: 50, Longitude: 0.14, TripMinutes: 15, Hives: []outyard.Hive{
		{ID: "h01", Name: "By the gate", Equipment: []outyard.Part{"floor", "deep-10", "medium-10", "lid"}},
		{ID: "h02", Equipment: []outyard.Part{"floor", "deep-8", "lid"}},
		{ID: "h03", Equipment: []outyard.Part{"floor", "deep-10", "shallow-10", "lid"}}, {ID: "h04"}}},
	{ID: "c", Name: "Cairn", Latitude: 50, Longitude: 0.42, TripMinutes: 45},
	{ID: "b", Name: "Brook", Latitude: 50, Longitude: 0.28, TripMinutes: 30},
	{ID: "n", Name: "North", Latitude: 50.2, Longitude: 0.14, TripMinutes: 35},
}

func names(r Round) string {
	var out []string
	for _, s := range r.Stops {
		out = append(out, s.Name())
	}
	return strings.Join(out, " ")
}

func TestTheOrderOfTheDay(t *testing.T) {
	soon := func(yards ...outyard.YardID) (out []outyard.Finding) {
		for _, y := range yards {
			out = append(out, open(y, "h01", outyard.Damp, outyard.Soon))
		}
		return out
	}
	urgent := func(yard outyard.YardID) outyard.Finding { return open(yard, "h02", outyard.Swarm, outyard.Now) }
	for _, tt := range []struct {
		name string
		open []outyard.Finding
		want string
	}{
		{"nothing is open", nil, ""},
		{"along the road and back", soon("d", "b", "a", "c"), "Alpha Brook Cairn Delta"},
		{"the urgent one first, the others on the way home", append(soon("a", "b", "c"), urgent("d")), "Delta Cairn Brook Alpha"},
		{"the urgent one first, though it is the nearest", append(soon("b", "c", "d"), urgent("a")), "Alpha Brook Cairn Delta"},
		{"two urgent ones, the nearer first", append(soon("b"), urgent("d"), urgent("c")), "Cairn Delta Brook"},
		{"the one to the side lies between home and the road", soon("n", "a", "b", "d"), "North Delta Brook Alpha"},
		{"a note alone is no drive", []outyard.Finding{open("a", "h01", outyard.Handling, outyard.Note)}, ""},
		{"a yard that is in no config still counts", soon("elsewhere"), "elsewhere"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, names(Plan(road, tt.open, now)))
			slices.Reverse(tt.open)
			require.Equal(t, tt.want, names(Plan(road, tt.open, now)), "whatever the order in which they were found")
		})
	}
}

func TestTheDriveIsTimed(t *testing.T) {
	r := Plan(road, []outyard.Finding{open("d", "h01", outyard.Damp, outyard.Soon), open("c", "h01", outyard.Damp, outyard.Soon)}, now)
	require.Equal(t, "Cairn Delta", names(r))
	require.InDelta(t, 45, r.Stops[0].DriveMinutes, 0)
	// 0.14 degrees of longitude at 50 °N are 0.14 * 111.195 * cos 50° = 10.01 km:
	// half as much again by road, at 50 km/h: 18.0 minutes; and no less than the
	// 15 by which the drives from home differ.
	require.InDelta(t, 18.0, r.Stops[1].DriveMinutes, 0.05)
	require.InDelta(t, 45+18.0+60, r.DriveMinutes, 0.05)
	require.Contains(t, r.Way(), "In this order: Cairn, Delta. Some 123 minutes of driving in all")

	noTrip := slices.Clone(road)
	noTrip[0].TripMinutes = 0
	r = Plan(noTrip, []outyard.Finding{open("d", "h01", outyard.Damp, outyard.Soon)}, now)
	require.False(t, outyard.Known(r.DriveMinutes))
	require.Empty(t, r.Stops[0].Drive(), "what nobody told is not made up")
}

// anyWays invents places on a plane, with home somewhere among them.
func anyWays(rng *rand.Rand, n int) ways {
	w := ways{start: make([]float64, n), end: make([]float64, n), between: make([][]float64, n)}
	type spot struct{ x, y float64 }
	at := make([]spot, n)
	for i := range at {
		at[i] = spot{rng.Float64() * 60, rng.Float64() * 60}
	}
	away := func(a, b spot) float64 { return math.Hypot(a.x-b.x, a.y-b.y) }
	for i := range at {
		w.start[i] = away(at[i], spot{30, 30})
		w.end[i] = w.start[i]
		for j := range at {
			w.between[i] = append(w.between[i], away(at[i], at[j]))
		}
	}
	return w
}

func TestTheBestOrderIsTheBest(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 40 {
		w := anyWays(rng, 6)
		least := math.Inf(1)
		order := []int{0, 1, 2, 3, 4, 5}
		var permute func(k int)
		permute = func(k int) {
			if k == len(order) {
				least = min(least, w.minutes(order))
				return
			}
			for i := k; i < len(order); i++ {
				order[k], order[i] = order[i], order[k]
				permute(k + 1)
				order[k], order[i] = order[i], order[k]
			}
		}
		permute(0)
		require.InDelta(t, least, w.minutes(w.best()), 1e-9)
	}
}

func TestTheGoodOrderIsNearlyTheBest(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	sum := 0.0
	for range 40 {
		w := anyWays(rng, mostExact)
		over := w.minutes(w.good())/w.minutes(w.best()) - 1
		require.GreaterOrEqual(t, over, -1e-9)
		require.Less(t, over, 0.35)
		sum += over
	}
	require.Less(t, sum/40, 0.06, "6 % longer on average")
	order := anyWays(rng, 300).good()
	slices.Sort(order)
	for i, at := range order {
		require.Equal(t, i, at, "every yard once")
	}
}

func TestCarry(t *testing.T) {
	a := road[1]
	flowEnd := open("a", "", outyard.FlowEnd, outyard.Note)
	mouldNote := open("a", "h01", outyard.MouldRisk, outyard.Note)
	over := open("a", "h01", outyard.RoomLow, outyard.Soon)
	over.State = outyard.Over
	of := func(kind outyard.Kind, hive outyard.HiveID, facts ...any) outyard.Finding {
		return open("a", hive, kind, outyard.Soon, facts...)
	}
	for _, tt := range []struct {
		name   string
		found  []outyard.Finding
		things string
		care   string // a part of what is said with it
	}{
		{"supers by the size of what is on the hive", []outyard.Finding{of(outyard.RoomLow, "h01"), of(outyard.RoomLow, "h02"), of(outyard.RoomLow, "h03"), of(outyard.RoomLow, "h04"), of(outyard.FlowStart, "")},
			// 6.14 + 18.1 and 8.39 + 27.2 kg, of the table of parts.
			"super, medium, 10 frames; super, medium, 8 frames; super, shallow, 10 frames; super; drawn comb for the supers, if there is any", "A full medium weighs some 24 kg, a full deep 36 kg: "},
		{"two of one size are two", []outyard.Finding{of(outyard.RoomLow, "h01"), of(outyard.RoomLow, "h01")}, "2 supers, medium, 10 frames; drawn comb for the supers, if there is any", "lift with two"},
		{"a flow alone: supers in case", []outyard.Finding{of(outyard.FlowStart, "")}, "supers in case, one for each strong hive", "lift with two"},
		{"sugar for what is short", []outyard.Finding{of(outyard.StoresLow, "h01", "short_kg", 5.0), of(outyard.StoresLow, "h02", "short_kg", 6.0)},
			// 11 kg of stores hold 0.82 * 11 = 9.02 kg of sugar.
			"feed for 2 hives, some 10 kg of sugar", "entrances narrow"},
		{"feed, where it is not known how much is short", []outyard.Finding{of(outyard.StoresLow, "h01")}, "feed for a hive", "entrances narrow"},
		{"a box for the swarm", []outyard.Finding{of(outyard.Swarm, "h01")}, "empty box with frames, and a sheet, for the swarm; strap", "no ladder alone"},
		{"a strap for what lies on its side", []outyard.Finding{of(outyard.KnockedOver, "h01"), of(outyard.KnockedOver, "h02")}, "2 straps; 2 spare lids and floors; smoker", "Let a storm pass"},
		{"a dry lid for each damp hive", []outyard.Finding{of(outyard.Damp, "h01"), of(outyard.Damp, "h02")}, "dust mask; 2 dry lids; 2 wedges to tilt a hive", "FFP2"},
		{"the refractometer when the flow is over, though that is a note", []outyard.Finding{flowEnd}, "refractometer", "20 % water"},
		{"a note of mould needs nothing", []outyard.Finding{mouldNote}, "", ""},
		{"what is over needs nothing", []outyard.Finding{over}, "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			things, care := Carry(a, tt.found)
			var said []string
			for _, thing := range things {
				said = append(said, thing.String())
			}
			require.Equal(t, tt.things, strings.Join(said, "; "))
			require.Contains(t, strings.Join(care, " "), tt.care)
		})
	}
}

func TestOneListForAllStops(t *testing.T) {
	r := Plan(road, []outyard.Finding{open("a", "h01", outyard.Damp, outyard.Soon), open("b", "h01", outyard.Damp, outyard.Soon),
		open("b", "", outyard.FlowEnd, outyard.Note), open("c", "", outyard.FlowEnd, outyard.Note)}, now)
	require.Equal(t, "Brook Alpha", names(r), "nobody drives to Cairn for a note")
	require.Equal(t, "refractometer for Brook", r.Carry[1].Name+" for "+strings.Join(r.Carry[1].For, " "))
	require.Equal(t, "2 dry lids", r.Carry[2].String())
	require.Equal(t, []string{"Brook", "Alpha"}, r.Carry[2].For)
	require.Len(t, r.Care, 2, "a caution is said once")
	require.Equal(t, "dry lid", r.Stops[0].Carry[2].String(), "and each yard has its own")
}

func TestHeadline(t *testing.T) {
	of := func(s outyard.Severity, yards ...outyard.YardID) []outyard.Finding {
		var out []outyard.Finding
		for _, y := range yards {
			out = append(out, open(y, "h01", outyard.KnockedOver, s))
		}
		return out
	}
	for _, tt := range []struct {
		open []outyard.Finding
		want string
	}{
		{nil, "Nothing needs you today"},
		{of(outyard.Now, "a"), "Go to Alpha if you can"},
		{of(outyard.Now, "a", "b"), "Go to Brook and Alpha if you can"},
		{of(outyard.Now, "a", "b", "c", "d"), "4 yards want you, Alpha first"},
		{of(outyard.Soon, "a"), "Alpha is worth a visit on the next round"},
		{of(outyard.Soon, "a", "b"), "Nothing is urgent; 2 yards for the next round"},
	} {
		require.Equal(t, tt.want, Plan(road, tt.open, now).Headline())
	}
}

func TestWhatIsHistoryAsksForNothing(t *testing.T) {
	swarm := open("a", "h01", outyard.Swarm, outyard.Now)
	swarm.Onset = now.Add(-15 * 24 * time.Hour)
	require.Empty(t, Plan(road, []outyard.Finding{swarm}, now).Stops)
	swarm.Onset = now.Add(-10 * 24 * time.Hour)
	require.Len(t, Plan(road, []outyard.Finding{swarm}, now).Stops, 1, "a cast may still follow")
}

func TestInJSON(t *testing.T) {
	b, err := json.Marshal(Plan(road, []outyard.Finding{open("a", "h01", outyard.RoomLow, outyard.Soon, "room_kg", math.NaN())}, now))
	require.NoError(t, err)
	for _, part := range []string{`"headline":"Alpha is worth a visit on the next round"`, `"next":""`, `"yard":"a"`, `"drive_minutes":30`, `"where":"By the gate"`,
		`"text":"super, medium, 10 frames"`, `"count":1`, `"what":"Wants a super"`} {
		require.Contains(t, string(b), part)
	}
	b, err = json.Marshal(Plan(nil, nil, now))
	require.NoError(t, err)
	require.JSONEq(t, `{"headline":"Nothing needs you today","items":[],"next":"","drive_minutes":null,"carry":[],"care":[]}`, string(b))
}

func TestFew(t *testing.T) {
	var names []string
	for i := range 14 {
		names = append(names, string(rune('A'+i)))
	}
	require.Equal(t, "A, B", few(names[:2]))
	require.Equal(t, "A, B, C, D, E, F, G, H, I, J, K, L, M", few(names[:13]), "one more is as short as its count")
	require.Equal(t, "A, B, C, D, E, F, G, H, I, J, K, L and 2 more", few(names))
}
