package collector

import (
	"log/slog"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector/senml"
)

var atSix = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC) // 1772344800

type values map[outyard.Quantity]float64

func reading(hive outyard.HiveID, at time.Time, vs values) outyard.Reading {
	r := outyard.NewReading("heron-point", hive, at)
	for q, v := range vs {
		r.Values[q] = v
	}
	return r
}

func TestParseTopic(t *testing.T) {
	cases := []struct {
		name, prefix, topic string
		yard                outyard.YardID
		hive                outyard.HiveID
		err                 string
	}{
		{"a hive", "", "yards/heron-point/hives/h01", "heron-point", "h01", ""},
		{"a yard's weather", "", "yards/heron-point/weather", "heron-point", "", ""},
		{"a hive below a prefix", "farm/", "farm/yards/y/hives/h", "y", "h", ""},
		{"the prefix left out", "farm/", "yards/y/hives/h", "", "", "want farm/yards/YARD/hives/HIVE or farm/yards/YARD/weather"},
		{"a prefix too many", "", "farm/yards/y/hives/h", "", "", "want yards/YARD/hives/HIVE or yards/YARD/weather"},
		{"no hive", "", "yards/y", "", "", "want yards/YARD/hives/HIVE"},
		{"an empty hive", "", "yards/y/hives/", "", "", `hive id ""`},
		{"a level too many", "", "yards/y/hives/h/weight", "", "", `hive id "h/weight"`},
		{"a level below the weather", "", "yards/y/weather/rain", "", "", "want yards/YARD"},
		{"a capital in the yard", "", "yards/Heron/hives/h", "", "", `yard id "Heron"`},
		{"a hive that would climb out", "", "yards/../hives/h", "", "", `yard id ".."`},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			yard, hive, err := parseTopic(c.prefix, c.topic)
			if c.err != "" {
				require.ErrorContains(t, err, c.err)
				require.ErrorContains(t, err, c.topic)
				return
			}
			require.NoError(t, err)
			require.Equal(t, c.yard, yard)
			require.Equal(t, c.hive, hive)
		})
	}
	require.Equal(t, "club/east/yards/#", ReadingsFilter("/club/east/"))
	require.Equal(t, "yards/#", ReadingsFilter("/"))
}

func TestReadings(t *testing.T) {
	scale := &outyard.Scale{ZeroRaw: 8000, PerKgRaw: 4000}
	drifting := &outyard.Scale{ZeroRaw: 8000, PerKgRaw: 4000, PerDegreeKg: 0.01}
	cases := []struct {
		name  string
		hive  outyard.HiveID
		scale *outyard.Scale
		pack  string
		want  []outyard.Reading
		bad   []string // what the error about the rest says
	}{
		{"the quantities of one moment are one reading", "h01", nil,
			`[{"n":"weight","u":"kg","v":41.25},{"n":"inside-temp","u":"Cel","v":34.6},{"n":"inside-rh","u":"%RH","v":61.5},{"n":"battery","u":"V","v":3.91},{"n":"signal","u":"dBm","v":-87}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41.25, outyard.InsideTemp: 34.6, outyard.InsideRH: 61.5, outyard.Battery: 3.91, outyard.Signal: -87})}, nil},
		{"a yard's weather", "", nil,
			`[{"n":"outside-temp","u":"Cel","v":8.4},{"n":"outside-rh","u":"%RH","v":91},{"n":"rain","u":"mm","v":0.2},{"n":"wind","u":"m/s","v":3.1}]`,
			[]outyard.Reading{reading("", atSix, values{outyard.OutsideTemp: 8.4, outyard.OutsideRH: 91, outyard.Rain: 0.2, outyard.Wind: 3.1})}, nil},
		// 0 °C is 273.15 K (ITS-90); the others by RFC 8798 and RFC 8428 §12.1.
		{"other units of the registries are converted", "h01", nil,
			`[{"n":"weight","u":"g","v":41250},{"n":"inside-temp","u":"K","v":307.75},{"n":"inside-rh","u":"/","v":0.615},{"n":"battery","u":"mV","v":3910},{"n":"signal","u":"dBW","v":-117},{"n":"rain","u":"m","v":0.0024},{"n":"wind","u":"km/h","v":36},{"n":"outside-rh","u":"/100","v":42}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41.25, outyard.InsideTemp: 34.6, outyard.InsideRH: 61.5, outyard.Battery: 3.91, outyard.Signal: -87, outyard.Rain: 2.4, outyard.Wind: 10, outyard.OutsideRH: 42})}, nil},
		{"several times in one pack are several readings, in order of time", "h01", nil,
			`[{"bt":1772344800,"bu":"kg","n":"weight","v":41.25},{"n":"weight","t":-900,"v":41.27},{"n":"inside-temp","u":"Cel","t":-900,"v":34.5}]`,
			[]outyard.Reading{reading("h01", atSix.Add(-15*time.Minute), values{outyard.Weight: 41.27, outyard.InsideTemp: 34.5}), reading("h01", atSix, values{outyard.Weight: 41.25})}, nil},
		{"parts of one second are one reading", "h01", nil,
			`[{"n":"weight","u":"kg","t":-0.2,"v":41.25},{"n":"inside-temp","u":"Cel","t":0.4,"v":34.5}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41.25, outyard.InsideTemp: 34.5})}, nil},
		{"values are rounded to what is kept", "h01", nil,
			`[{"n":"weight","u":"kg","v":41.23456}]`, []outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41.235})}, nil},

		{"counts become kilograms by the hive's scale", "h01", scale,
			`[{"n":"weight-raw","v":172000}]`, []outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41})}, nil},
		// 10 degrees below the scale's 20 °C, at 0.01 kg a degree.
		{"a scale that drifts takes the temperature of the same moment, outside before inside", "h01", drifting,
			`[{"n":"inside-temp","u":"Cel","v":35},{"n":"weight-raw","u":"count","v":172000},{"n":"outside-temp","u":"Cel","v":10}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41.1, outyard.InsideTemp: 35, outyard.OutsideTemp: 10})}, nil},
		{"with no temperature the drift is left in", "h01", drifting,
			`[{"n":"weight-raw","v":172000}]`, []outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41})}, nil},
		{"counts without a scale are refused with the cure, the rest is kept", "h01", nil,
			`[{"n":"weight-raw","v":172000},{"n":"battery","u":"V","v":3.9}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Battery: 3.9})}, []string{"record 1, weight-raw", "hive h01 has no scale", "outyard calibrate"}},
		{"counts in a unit are refused", "h01", scale,
			`[{"n":"weight-raw","u":"kg","v":41}]`, nil, []string{`unit "kg": want count`}},
		{"counts beyond any hive are refused", "h01", scale,
			`[{"n":"weight-raw","v":8388607}]`, nil, []string{"8.388607e+06 counts", "outside -50 to 500"}},

		{"pounds are in no registry: refused, not guessed", "h01", nil,
			`[{"n":"weight","u":"lb","v":90},{"n":"battery","u":"V","v":3.9}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Battery: 3.9})}, []string{"of 2 records", "record 1, weight", `unit "lb": want kg or g`}},
		{"a unit of another quantity is refused", "h01", nil, `[{"n":"inside-temp","u":"%RH","v":61}]`, nil, []string{"inside-temp", `unit "%RH": want Cel or K`}},
		{"no unit is refused", "h01", nil, `[{"n":"weight","v":41}]`, nil, []string{"no unit: want kg or g"}},
		{"a bare percent is a ratio in the registry, and refused", "h01", nil, `[{"n":"inside-rh","u":"%","v":61}]`, nil, []string{`unit "%": want %RH`}},
		{"an unknown name is refused, and the known ones are named", "h01", nil, `[{"n":"pressure","u":"hPa","v":1013}]`, nil, []string{"record 1, pressure", "weight, inside-temp, inside-rh, battery, signal, outside-temp, outside-rh, rain, wind, weight-raw"}},
		{"text in place of a number is refused", "h01", nil, `[{"n":"weight","u":"kg","vs":"heavy"}]`, nil, []string{"holds text: want a number"}},
		{"a value no hive has is refused alone", "h01", nil, `[{"n":"inside-temp","u":"Cel","v":300},{"n":"weight","u":"kg","v":41}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41})}, []string{"300 °C is outside -150 to 150"}},
		{"the weight of a yard is refused", "", scale, `[{"n":"weight","u":"kg","v":41},{"n":"weight-raw","v":9000}]`, nil, []string{"weight: belongs to a hive", "weight-raw: belongs to a hive"}},
		{"the same quantity twice in one second: the first is kept", "h01", nil, `[{"n":"weight","u":"kg","v":41},{"n":"weight","u":"kg","v":42},{"n":"weight","u":"kg","v":41}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41})}, []string{"record 2", "there twice for 2026-03-01T06:00:00Z: 41 and 42 kg"}},
		{"counts twice in one second", "h01", scale, `[{"n":"weight-raw","v":172000},{"n":"weight-raw","v":176000}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41})}, []string{"record 2", "172000 and 176000"}},
		// Reference example D: bt 0, t 268435455 is 8.5 years ahead.
		{"a time years ahead is refused, the other times are kept", "h01", nil, `[{"n":"weight","u":"kg","t":268435455,"v":41},{"n":"weight","u":"kg","v":40}]`,
			[]outyard.Reading{reading("h01", atSix, values{outyard.Weight: 40})}, []string{"ahead of now", "clock"}},
		{"a clock that was never set is refused", "h01", nil, `[{"n":"weight","u":"kg","t":315532800,"v":41}]`, nil, []string{"before 2000", "clock"}},
		{"many faults are counted, three are told", "h01", nil, `[{"n":"a","v":1},{"n":"b","v":1},{"n":"c","v":1},{"n":"d","v":1},{"n":"e","v":1}]`, nil, []string{"of 5 records", "record 3, c", "and 2 more faults"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			records, err := senml.Decode([]byte(c.pack), atSix)
			require.NoError(t, err)
			got, err := readings(nil, records, "heron-point", c.hive, c.scale, atSix)
			require.Empty(t, cmp.Diff(c.want, got, cmpopts.EquateNaNs()))
			if c.bad == nil {
				require.NoError(t, err)
			}
			for _, want := range c.bad {
				require.ErrorContains(t, err, want)
			}
		})
	}
}

func TestWhatABrokenSensorSendsCostsThatValueAlone(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		got, err := readings(nil, []senml.Record{
			{Place: 1, Name: "inside-rh", Unit: "%RH", Time: atSix, Kind: senml.Number, Value: v},
			{Place: 2, Name: "weight-raw", Time: atSix, Kind: senml.Number, Value: v},
			{Place: 3, Name: "battery", Unit: "V", Time: atSix, Kind: senml.Number, Value: 3.9},
		}, "heron-point", "h01", &outyard.Scale{PerKgRaw: 1}, atSix)
		require.Empty(t, cmp.Diff([]outyard.Reading{reading("h01", atSix, values{outyard.Battery: 3.9})}, got, cmpopts.EquateNaNs()))
		require.ErrorContains(t, err, "inside-rh: value is not a finite number")
		require.ErrorContains(t, err, "weight-raw: value is not a finite number")
	}
}

// Whatever a pack holds, what comes out of it is fit to be kept.
func FuzzReadings(f *testing.F) {
	f.Add([]byte(`[{"n":"weight","u":"g","v":41250},{"n":"inside-temp","u":"K","t":-900,"v":307.75},{"n":"weight-raw","v":172000}]`), "h01")
	f.Add([]byte(`[{"n":"rain","u":"m","v":0.0024},{"n":"rain","u":"mm","v":9},{"n":"weight","u":"kg","v":1}]`), "")
	f.Fuzz(func(t *testing.T, pack []byte, hive string) {
		records, err := senml.Decode(pack, atSix)
		if err != nil || hive != "" && outyard.HiveID(hive).Check() != nil {
			return
		}
		rs, err := readings(nil, records, "heron-point", outyard.HiveID(hive), &outyard.Scale{ZeroRaw: 8000, PerKgRaw: 4000, PerDegreeKg: 0.01}, atSix)
		if len(rs) == 0 && err == nil {
			t.Fatal("neither readings nor an error")
		}
		for i, r := range rs {
			if err := r.Check(atSix); err != nil {
				t.Fatalf("reading unfit to be kept: %v", err)
			}
			if i > 0 && !r.Time.After(rs[i-1].Time) {
				t.Fatalf("reading of %s stands after one of %s", r.Time, rs[i-1].Time)
			}
		}
	})
}

func TestAProbeThatSendsNullCostsThatValueAlone(t *testing.T) {
	in := New(new(heldStore), places, Options{}, time.Now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
	got, refused := in.Read(Message{Topic: topicH01, Arrived: atSix, Payload: []byte(`[{"n":"weight","u":"kg","v":41},{"n":"inside-rh","u":"%RH","v":null},{"n":"battery","u":"V","v":3.9}]`)})
	require.Empty(t, cmp.Diff([]outyard.Reading{reading("h01", atSix, values{outyard.Weight: 41, outyard.Battery: 3.9})}, got, cmpopts.EquateNaNs()))
	require.Contains(t, refused.Reason, "inside-rh: value is not a finite number", "and the message is kept whole")
}
