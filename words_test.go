package outyard_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestIDs(t *testing.T) {
	for id, good := range map[outyard.HiveID]bool{
		"h01": true, "7": true, "by-the-gate": true, "a-": true,
		"": false, "-a": false, "H01": false, "a b": false, "å": false, "../etc": false, "a/b": false,
		outyard.HiveID(make([]byte, 64)): false,
	} {
		if err := id.Check(); good {
			require.NoError(t, err, "%q", id)
		} else {
			require.ErrorIs(t, err, outyard.ErrBadID, "%q", id)
		}
	}
}

func TestUnits(t *testing.T) {
	// The international pound of 1959 is exactly 0.45359237 kg.
	require.InDelta(t, 36.29, outyard.KgFromPounds(80), 0.005)
	require.InDelta(t, 40.82, outyard.KgFromPounds(90), 0.005)
	require.InDelta(t, 90, outyard.PoundsFromKg(outyard.KgFromPounds(90)), 1e-12)
	// 0 °C and 100 °C are 32 °F and 212 °F by definition.
	require.InDelta(t, 0, outyard.CelsiusFromFahrenheit(32), 1e-12)
	require.InDelta(t, 212, outyard.FahrenheitFromCelsius(100), 1e-12)
}

// What a keeper says of full boxes (common practice, no source): a deep of ten
// frames about 80 to 90 lb, of eight 60 to 70, a medium 50 to 60, a shallow 30
// to 40. The tables that can be read differ among themselves by 15 %, which is
// the tolerance here.
func TestFullBoxesWeighWhatKeepersSay(t *testing.T) {
	for part, lb := range map[outyard.Part][2]float64{
		"deep-10": {80, 90}, "medium-10": {50, 60}, "shallow-10": {30, 40},
		"deep-8": {60, 70}, "medium-8": {40, 48}, "shallow-8": {28, 34},
	} {
		in, ok := part.Info()
		require.True(t, ok, part)
		kg := in.EmptyKg + in.HoneyKg
		require.GreaterOrEqual(t, kg, 0.85*outyard.KgFromPounds(lb[0]), part)
		require.LessOrEqual(t, kg, 1.15*outyard.KgFromPounds(lb[1]), part)
	}
	// Ten frames of 2.72 kg of capped honey each, 6 lb: common practice.
	deep, _ := outyard.Part("deep-10").Info()
	require.InDelta(t, 10*outyard.KgFromPounds(6), deep.HoneyKg, 0.05)
	require.ErrorContains(t, outyard.Part("deep-11").Check(), "deep-10", "the error names the parts there are")
}

// A scale's two points: 84,213 counts with nothing on it and 512,613 with
// 20 kg make 900,000 counts 38.0853 kg (arithmetic).
func TestScale(t *testing.T) {
	s := outyard.Scale{ZeroRaw: 84213, PerKgRaw: (512613 - 84213) / 20.0}
	require.InDelta(t, 38.0853, s.WeightKg(900000, math.NaN()), 1e-4)
	s.PerDegreeKg = 0.004
	require.InDelta(t, 38.0853+0.06, s.WeightKg(900000, 5), 1e-4, "15 °C below the calibration")
}

func TestReadingCheck(t *testing.T) {
	now := time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)
	edit := func(f func(*outyard.Reading)) outyard.Reading {
		r := outyard.NewReading("heron-point", "h01", now)
		r.Values[outyard.Weight] = 41.2
		f(&r)
		return r
	}
	for _, c := range []struct {
		name string
		r    outyard.Reading
		want string // in the error; empty: none
	}{
		{"a weight", edit(func(*outyard.Reading) {}), ""},
		{"nine minutes ahead", edit(func(r *outyard.Reading) { r.Time = now.Add(9 * time.Minute) }), ""},
		{"eleven minutes ahead", edit(func(r *outyard.Reading) { r.Time = now.Add(11 * time.Minute) }), "set the node's clock"},
		{"a clock that was never set", edit(func(r *outyard.Reading) { r.Time = time.Unix(60, 0) }), "set the node's clock"},
		{"nothing measured", outyard.NewReading("heron-point", "h01", now), "nothing measured"},
		{"humidity of 130 %", edit(func(r *outyard.Reading) { r.Values[outyard.InsideRH] = 130 }), "inside-rh"},
		{"a ton", edit(func(r *outyard.Reading) { r.Values[outyard.Weight] = 1000 }), "check unit and sensor"},
		{"a yard that weighs", edit(func(r *outyard.Reading) { r.Hive = "" }), "belongs to a hive"},
		{"a bad yard", edit(func(r *outyard.Reading) { r.Yard = "Heron Point" }), "yard id"},
	} {
		err := c.r.Check(now)
		if c.want == "" {
			require.NoError(t, err, c.name)
		} else {
			require.ErrorContains(t, err, c.want, c.name)
		}
	}
}

func TestReadingsOfOneSecondAreOne(t *testing.T) {
	at := time.Date(2027, 3, 1, 6, 0, 0, 400_000_000, time.FixedZone("", -8*3600))
	require.Equal(t, time.Date(2027, 3, 1, 14, 0, 0, 0, time.UTC), outyard.NewReading("y", "h", at).Time)
}

func TestDates(t *testing.T) {
	zone, err := time.LoadLocation("America/Vancouver")
	require.NoError(t, err)
	// The clocks go forward on 14 March 2027: that day has 23 hours.
	d := outyard.Date{Year: 2027, Month: time.March, Day: 14}
	require.Equal(t, 23*time.Hour, d.Add(1).Start(zone).Sub(d.Start(zone)))
	require.Equal(t, d, outyard.DateOf(d.Start(zone), zone))
	require.Equal(t, 1, d.Add(1).Sub(d))
	require.Equal(t, "2027-03-01", outyard.Date{Year: 2027, Month: time.February, Day: 28}.Add(1).String())
	_, err = outyard.ParseDate("14.3.2027")
	require.ErrorContains(t, err, "YYYY-MM-DD")
}

func TestFindingInJSON(t *testing.T) {
	f := outyard.Finding{ID: "swarm-heron-point_h01-20270522T1940Z", Kind: outyard.Swarm, Yard: "heron-point", Hive: "h01",
		Onset: time.Date(2027, 5, 22, 19, 40, 0, 0, time.UTC), ToldAt: time.Date(2027, 5, 22, 19, 50, 0, 0, time.UTC),
		Severity: outyard.Now, Confidence: 0.9, Summary: "2.4 kg left.", State: outyard.Open,
		Facts: map[string]any{"change_kg": -2.4, "warmed_k": outyard.Unknown}}
	b, err := json.Marshal(f)
	require.NoError(t, err)
	require.JSONEq(t, `{"id":"swarm-heron-point_h01-20270522T1940Z","kind":"swarm","yard":"heron-point","hive":"h01",
		"onset":"2027-05-22T19:40:00Z","end":null,"told_at":"2027-05-22T19:50:00Z","severity":"now","confidence":0.9,
		"summary":"2.4 kg left.","advice":[],"caution":[],"facts":{"change_kg":-2.4},"state":"open"}`, string(b),
		"an end that has not come is null, lists are never null, the unknown is left out")
	var back outyard.Finding
	require.NoError(t, json.Unmarshal(b, &back))
	require.True(t, back.End.IsZero())
	require.InDelta(t, -2.4, back.Fact("change_kg"), 0)
	require.True(t, math.IsNaN(back.Fact("warmed_k")))
}

func TestEntry(t *testing.T) {
	var e outyard.Entry
	require.NoError(t, json.Unmarshal([]byte(`{"time":"2027-05-22T12:00:00-07:00","yard":"heron-point","hive":"h01","kind":"box-on","part":"medium-10"}`), &e))
	require.NoError(t, e.Check())
	require.Equal(t, time.Date(2027, 5, 22, 19, 0, 0, 0, time.UTC), e.Time)
	require.True(t, math.IsNaN(e.Kg), "not said is not nothing")
	e.Kind = "painted"
	require.ErrorContains(t, e.Check(), "honey-taken", "the error names the kinds there are")
}
