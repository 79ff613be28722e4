package web

import (
	"context"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
)

// noon-ish of an invented Friday in May, on the yards' clock.
var (
	pacific = func() *time.Location {
		z, err := time.LoadLocation("America/Vancouver")
		if err != nil {
			panic(err)
		}
		return z
	}()
	testNow = time.Date(2027, time.May, 14, 16, 20, 0, 0, pacific)
)

func local(day, hour, minute int) time.Time {
	return time.Date(2027, time.May, day, hour, minute, 0, 0, pacific).UTC()
}

func testYards() []outyard.Yard {
	hives := func(names ...string) (out []outyard.Hive) {
		for i, n := range names {
			out = append(out, outyard.Hive{ID: outyard.HiveID("h0" + string(rune('1'+i))), Name: n, Equipment: []outyard.Part{"floor", "deep-10", "medium-10", "lid"}})
		}
		return out
	}
	return []outyard.Yard{
		{ID: "alder-bank", Name: "Alder Bank", Latitude: 48.9, Longitude: -123.4, Zone: pacific, TripMinutes: 55, Hives: hives("Under the alder", "Old oak stump", "Third from the creek")},
		{ID: "heron-point", Name: "Heron Point", Latitude: 48.8, Longitude: -123.3, Zone: pacific, TripMinutes: 35, Hives: hives("By the gate", "Blue lid", "South wall", "Nucleus")},
		{ID: "fern-hollow", Name: "Fern Hollow", Latitude: 48.7, Longitude: -123.2, Zone: pacific, TripMinutes: 20, Hives: hives("One", "Two")},
	}
}

// testFindings is what was found in the invented fortnight.
func testFindings() []outyard.Finding {
	return []outyard.Finding{
		{ID: "swarm-heron-point-h03-20270514T1940Z", Kind: outyard.Swarm, Yard: "heron-point", Hive: "h03", Onset: local(14, 12, 40), ToldAt: local(14, 12, 55),
			Severity: outyard.Now, Confidence: 0.91, State: outyard.Open,
			Summary: "2.4 kg left within 12 minutes at 12:40 on a warm day, the brood nest had warmed by 0.8 °C just before, and the weight has not come back.",
			Advice:  []string{"Look for a cluster within a few hundred metres of the hive, on branches and fences.", "Take a swarm box, a sheet, a brush and a water sprayer.", "In ten days, listen for a cast: check for sealed queen cells."},
			Caution: []string{"A swarm is not an emergency: no ladder alone, none on soft ground or in wind, never near power lines.", "Get the landowner’s leave before taking it."},
			Facts:   map[string]any{"change_kg": -2.4, "duration_minutes": 12.0, "brood_rise_c": 0.8, "reasons": []string{"middle of a flying day", "no sign of lifting", "not back within three hours"}}},
		{ID: "room-low-heron-point-h01-20270513T0700Z", Kind: outyard.RoomLow, Yard: "heron-point", Hive: "h01", Onset: local(13, 0, 0), ToldAt: local(13, 6, 0),
			Severity: outyard.Soon, Confidence: 0.8, State: outyard.Open,
			Summary: "About 4 kg of room is left, and 1.3 kg comes in a day: a super must be on by Monday.",
			Advice:  []string{"Take a medium box with drawn comb."}, Caution: []string{"A full medium weighs 23 to 27 kg: lift with two, or by frames."},
			Facts: map[string]any{"room_kg": 4.1, "gain_kg_per_day": 1.3}},
		{ID: "damp-alder-bank-h02-20270506T0700Z", Kind: outyard.Damp, Yard: "alder-bank", Hive: "h02", Onset: local(6, 0, 0), ToldAt: local(9, 6, 0),
			Severity: outyard.Soon, Confidence: 0.74, State: outyard.Open,
			Summary: "The wall was wet for 9 hours a night this week, 6 hours more than at the yard’s other hives.",
			Advice:  []string{"Check that the floor drains toward the entrance, and that the lid is tight."}, Caution: []string{"Mould and asthma do not go together: mask and gloves, upwind."},
			Facts: map[string]any{"wet_hours": 9.0, "yard_wet_hours": 3.0}},
		{ID: "flow-start-heron-point-20270505T0700Z", Kind: outyard.FlowStart, Yard: "heron-point", Onset: local(5, 0, 0), ToldAt: local(7, 6, 0),
			Severity: outyard.Note, Confidence: 0.96, State: outyard.Open, Summary: "A flow began on 5 May, give or take a day: 1.3 kg a day for a typical hive."},
		{ID: "handling-heron-point-h01-20270510T1700Z", Kind: outyard.Handling, Yard: "heron-point", Hive: "h01", Onset: local(10, 10, 0), End: local(10, 10, 40), ToldAt: local(10, 11, 0),
			Severity: outyard.Note, Confidence: 0.98, State: outyard.Over, Summary: "Worked on for 40 minutes; 8.1 kg heavier afterwards: a box was put on.", Facts: map[string]any{"change_kg": 8.1}},
		{ID: "knocked-over-alder-bank-h01-20270508T0900Z", Kind: outyard.KnockedOver, Yard: "alder-bank", Hive: "h01", Onset: local(8, 2, 0), End: local(8, 3, 0), ToldAt: local(8, 2, 20),
			Severity: outyard.Now, Confidence: 0.4, State: outyard.Withdrawn, Summary: "All weight was gone for an hour; it came back by itself, so the cable is the likelier cause."},
	}
}

const dampID, roomID = "damp-alder-bank-h02-20270506T0700Z", "room-low-heron-point-h01-20270513T0700Z"

// testAlerts are what somebody was told of it.
func testAlerts() []outyard.Alert {
	return []outyard.Alert{
		{Finding: swarmID, State: outyard.AlertTold, Since: local(14, 12, 56)},
		{Finding: dampID, State: outyard.AlertSnoozed, Since: local(9, 18, 0), Until: local(15, 6, 0)},
		{Finding: roomID, State: outyard.AlertAcknowledged, Since: local(13, 20, 30)},
	}
}

func testSteps() []outyard.Transition {
	return []outyard.Transition{
		{Finding: dampID, At: local(9, 6, 0), Event: "raised", State: outyard.AlertOpen},
		{Finding: dampID, At: local(9, 6, 1), Event: "told", State: outyard.AlertTold},
		{Finding: dampID, At: local(9, 18, 0), Event: "snoozed", State: outyard.AlertSnoozed, Until: local(15, 6, 0)},
		{Finding: roomID, At: local(13, 6, 0), Event: "raised", State: outyard.AlertOpen},
		{Finding: roomID, At: local(13, 6, 1), Event: "told", State: outyard.AlertTold},
		{Finding: roomID, At: local(13, 20, 30), Event: "acknowledged", State: outyard.AlertAcknowledged},
		{Finding: swarmID, At: local(14, 12, 55), Event: "raised", State: outyard.AlertOpen},
		{Finding: swarmID, At: local(14, 12, 56), Event: "told", State: outyard.AlertTold},
	}
}

// seedTold is seed, and somebody has been told of it.
func seedTold(t testing.TB) *sqlite.Store {
	t.Helper()
	db := seed(t)
	require.NoError(t, db.Tell(t.Context(), store.News{Alerts: testAlerts(), History: testSteps(), Messages: []outyard.Message{
		{Key: "swarm", Route: "me", Findings: []string{swarmID}, Subject: "Heron Point: a swarm left", Queued: local(14, 12, 55), Due: local(14, 12, 55), Sent: local(14, 12, 56)},
		{Key: "room", Route: "club", Findings: []string{roomID, dampID}, Subject: "Heron Point: a super", Queued: local(13, 6, 0), Due: local(13, 6, 0), Attempts: 3, LastErr: "connection refused <mail>"},
	}}))
	return db
}

// seed is a real store with the invented fortnight in it, that nobody else uses.
func seed(t testing.TB) *sqlite.Store {
	t.Helper()
	file, err := fortnight()
	require.NoError(t, err)
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, sqlite.File), file, 0o600))
	db, err := sqlite.Open(t.Context(), dir)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	return db
}

// fortnight is the file of a store with the invented fortnight in it. It is
// made once: under the race detector that takes seconds, and most tests want it.
var fortnight = sync.OnceValues(func() ([]byte, error) { return makeFortnight(context.Background()) })

func makeFortnight(ctx context.Context) (file []byte, err error) {
	dir, err := os.MkdirTemp("", "outyard-fortnight-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	db, err := sqlite.Open(ctx, dir)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(fill(ctx, db), db.Close()); err != nil {
		return nil, err
	}
	return os.ReadFile(filepath.Join(dir, sqlite.File))
}

func fill(ctx context.Context, db *sqlite.Store) error {
	rng := rand.New(rand.NewPCG(27, 5))
	start := local(1, 0, 0)
	var days []outyard.Day
	for yi, y := range testYards() {
		var rs []outyard.Reading
		for at := start; at.Before(testNow); at = at.Add(10 * time.Minute) {
			hour := at.In(pacific).Sub(outyard.DateOf(at, pacific).Start(pacific)).Hours()
			outside := 11 + 6*math.Sin(2*math.Pi*(hour-9)/24) + 2*math.Sin(float64(at.Unix())/3e5) + rng.NormFloat64()*0.2
			w := outyard.NewReading(y.ID, "", at)
			w.Values[outyard.OutsideTemp], w.Values[outyard.OutsideRH] = outside, min(99, 92-2*(outside-8))
			rs = append(rs, w)
			for hi, h := range y.Hives {
				if y.ID == "fern-hollow" && h.ID == "h02" && at.After(local(12, 7, 0)) {
					continue // went silent
				}
				if y.ID == "alder-bank" && at.After(local(7, 8, 0)) && at.Before(local(8, 2, 0)) {
					continue // out of reach for a night
				}
				r := outyard.NewReading(y.ID, h.ID, at)
				r.Values[outyard.Weight] = weightAt(yi, hi, at, hour) + rng.NormFloat64()*0.012
				r.Values[outyard.InsideTemp] = 34.6 + 0.02*(outside-11) + rng.NormFloat64()*0.08
				r.Values[outyard.InsideRH] = 58 + 5*math.Sin(2*math.Pi*hour/24) + float64(hi)*3 + rng.NormFloat64()*0.4
				r.Values[outyard.Battery] = 3.9 - float64(hi)*0.05
				rs = append(rs, r)
			}
		}
		if _, err := db.Keep(ctx, rs); err != nil {
			return err
		}
		for hi, h := range y.Hives {
			for d := range 13 {
				date := outyard.Date{Year: 2027, Month: time.May, Day: 1 + d}
				gain := dailyGain(yi, hi, d)
				if y.ID == "fern-hollow" && d == 5 {
					gain = outyard.Unknown
				}
				handled := 0.0
				if y.ID == "heron-point" && h.ID == "h01" && date.Day == 10 {
					handled = 8.1
				}
				days = append(days, outyard.Day{Date: date, Yard: y.ID, Hive: h.ID, GainKg: gain, HandledKg: handled, NightLossKg: 0.3 + 0.02*float64(hi),
					StoresKg: 14 + float64(d)*0.9, MouldIndex: 0.05 * float64(d*(hi+1)), WallRHPct: 72 + 4*float64(hi) + math.Sin(float64(d)), BroodTempC: 34.6, Coverage: 0.99,
					WallWetHours: 5 + 4*float64(hi), DewHours: float64(hi), DewMarginK: 2.4 - 3*float64(hi),
					DaysToMould: daysTo(1, d, hi), DaysToVisible: daysTo(3, d, hi)})
			}
		}
	}
	if err := db.Tell(ctx, store.News{Findings: testFindings(), Days: days}); err != nil {
		return err
	}
	for _, e := range []outyard.Entry{
		{Time: local(10, 10, 15), Yard: "heron-point", Hive: "h01", Kind: outyard.BoxOn, Kg: 8.1, Part: "medium-10", Note: "Drawn comb. Calm, five frames of brood."},
		{Time: local(3, 11, 0), Yard: "heron-point", Kind: outyard.Visit, Kg: outyard.Unknown, Note: "Cut the grass."},
	} {
		if _, err := db.AddEntry(ctx, e); err != nil {
			return err
		}
	}
	return nil
}

// dailyGain is a hive's own change on the d-th day: a flow from the fifth at
// one yard, a trickle and a loss at the others.
func dailyGain(yard, hive, d int) float64 {
	base := []float64{0.25, 0.3, -0.12}[yard]
	if yard == 1 && d >= 4 {
		base = 1.3
	}
	return base + 0.12*float64(hive) + 0.25*math.Sin(float64(3*d+hive))
}

func weightAt(yard, hive int, at time.Time, hour float64) float64 {
	kg := 32 + 4*float64(hive) + 3*float64(yard)
	start := local(1, 0, 0)
	d := int(at.Sub(start).Hours() / 24)
	for i := range d {
		kg += dailyGain(yard, hive, i)
	}
	kg += dailyGain(yard, hive, d) * smooth((hour-8)/11)
	if hour > 8 && hour < 20 {
		kg -= 0.45 * math.Sin(math.Pi*(hour-8)/12) // out foraging
	}
	kg -= 0.3 * (math.Mod(hour+4, 24) / 24)
	if yard == 1 && hive == 2 && at.After(local(14, 12, 45)) {
		kg -= 2.4
	}
	if yard == 1 && hive == 0 {
		switch {
		case at.After(local(10, 10, 39)):
			kg += 8.1
		case at.After(local(10, 10, 5)):
			kg = 3.2 // boxes on the grass
		}
	}
	return kg
}

func smooth(x float64) float64 {
	x = min(max(x, 0), 1)
	return x * x * (3 - 2*x)
}

func testOptions() Options {
	return Options{Yards: testYards, Now: func() time.Time { return testNow }, MQTTAddr: "127.0.0.1:1883", Version: "test", Everybody: true}
}

// visit serves the store and returns a function that gets an address.
func visit(t testing.TB, s Store, o Options) (*httptest.Server, func(path string) (int, string, http.Header)) {
	t.Helper()
	srv := httptest.NewServer(New(s, o))
	t.Cleanup(srv.Close)
	return srv, func(path string) (int, string, http.Header) {
		t.Helper()
		resp, err := srv.Client().Get(srv.URL + path)
		require.NoError(t, err)
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		return resp.StatusCode, string(b), resp.Header
	}
}

func contains(t *testing.T, body string, want ...string) {
	t.Helper()
	for _, w := range want {
		if !strings.Contains(body, w) {
			t.Errorf("page lacks %q", w)
		}
	}
}

func copyTo(b *strings.Builder, resp *http.Response) (int64, error) { return io.Copy(b, resp.Body) }

// daysTo is how long the mould index of the season, which rises evenly, takes to
// a level.
func daysTo(level float64, d, hi int) float64 {
	perDay := 0.05 * float64(hi+1)
	return max(0, math.Ceil(level/perDay-1e-9)-float64(d))
}
