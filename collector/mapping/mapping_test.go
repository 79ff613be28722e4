package mapping

import (
	"encoding/base64"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"

	"outyard"
)

var (
	arrived = time.Date(2027, 5, 12, 18, 45, 0, 0, time.UTC)
	sent    = time.Date(2027, 5, 12, 18, 40, 0, 0, time.UTC) // 1810147200
)

const topic = "scales/heron-point/h01"

func field(path string) outyard.Spot { return outyard.Spot{Field: path} }

func inner(path string) outyard.Spot { return outyard.Spot{Inner: path} }

func octets(at, width int, signed, little bool) outyard.Spot {
	return outyard.Spot{Bytes: &outyard.ByteRange{At: at, Width: width, Signed: signed, Little: little}}
}

func value(q outyard.Quantity, unit string, scale, offset float64, at outyard.Spot) outyard.MappedValue {
	return outyard.MappedValue{Quantity: q, Unit: unit, Scale: scale, Offset: offset, Spot: at}
}

func optional(v outyard.MappedValue) outyard.MappedValue { v.Optional = true; return v }

func absent(x float64, v outyard.MappedValue) outyard.MappedValue { v.Absent = &x; return v }

// flat is a mapping of hives from their topics with those values.
func flat(values ...outyard.MappedValue) outyard.Mapping {
	return outyard.Mapping{Name: "flat-json", Filter: "scales/+/+", Yard: outyard.Origin{Level: 2}, Hive: outyard.Origin{Level: 3}, Values: values}
}

// wrapped is one of what stands in the base64 field "data".
func wrapped(values ...outyard.MappedValue) outyard.Mapping {
	m := flat(values...)
	m.Base64 = "up.data"
	return m
}

func envelope(held string) string {
	return `{"up":{"data":"` + base64.StdEncoding.EncodeToString([]byte(held)) + `"}}`
}

func timed(m outyard.Mapping, format outyard.TimeFormat, at outyard.Spot) outyard.Mapping {
	m.Time = outyard.MappedTime{Spot: at, Format: format}
	return m
}

type values map[outyard.Quantity]float64

func row(at time.Time, vs values) Row {
	r := outyard.NewReading("heron-point", "h01", at)
	for q, v := range vs {
		r.Values[q] = v
	}
	return Row{Mapping: "flat-json", Reading: r, Counts: outyard.Unknown, Untimed: at.Equal(arrived)}
}

func TestRead(t *testing.T) {
	weight := value(outyard.Weight, "kg", 1, 0, field("w"))
	withUnit := func(q outyard.Quantity, unit string) outyard.Mapping { return flat(value(q, unit, 1, 0, field("x"))) }
	raw := outyard.MappedValue{Quantity: outyard.Weight, Raw: true, Scale: 1, Spot: field("n")}
	counts := row(arrived, nil)
	counts.Counts = 172000
	optionalTime := timed(flat(weight), outyard.UnixTime, field("t"))
	optionalTime.Time.Optional = true

	cases := []struct {
		name    string
		mapping outyard.Mapping
		payload string
		want    Row
		err     string // what the error says
	}{
		{"a number at the top, and the time of arrival", flat(weight), `{"w":41.25}`, row(arrived, values{outyard.Weight: 41.25}), ""},
		{"a number further down", flat(value(outyard.Weight, "kg", 1, 0, field("load.cells.1"))), `{"load":{"cells":[1,41.25]}}`, row(arrived, values{outyard.Weight: 41.25}), ""},
		{"a number as text", flat(weight), `{"w":"41.25"}`, row(arrived, values{outyard.Weight: 41.25}), ""},
		{"scale, then offset, then unit", flat(value(outyard.InsideTemp, "F", 0.1, -40, field("t"))), `{"t":1346}`, row(arrived, values{outyard.InsideTemp: 34.78}), ""}, // 94.6 °F
		{"zero is a value", flat(weight), `{"w":0}`, row(arrived, values{outyard.Weight: 0}), ""},

		{"grams", withUnit(outyard.Weight, "g"), `{"x":41250}`, row(arrived, values{outyard.Weight: 41.25}), ""},
		{"pounds, exact by the agreement of 1959", withUnit(outyard.Weight, "lb"), `{"x":100}`, row(arrived, values{outyard.Weight: 45.359}), ""},
		{"fahrenheit at the freezing of water", withUnit(outyard.OutsideTemp, "F"), `{"x":32}`, row(arrived, values{outyard.OutsideTemp: 0}), ""},
		{"fahrenheit at its meeting with celsius", withUnit(outyard.OutsideTemp, "F"), `{"x":-40}`, row(arrived, values{outyard.OutsideTemp: -40}), ""},
		{"kelvin", withUnit(outyard.InsideTemp, "K"), `{"x":307.75}`, row(arrived, values{outyard.InsideTemp: 34.6}), ""},
		{"a ratio of humidity", withUnit(outyard.InsideRH, "ratio"), `{"x":0.615}`, row(arrived, values{outyard.InsideRH: 61.5}), ""},
		{"millivolts", withUnit(outyard.Battery, "mV"), `{"x":3910}`, row(arrived, values{outyard.Battery: 3.91}), ""},
		{"inches of rain", withUnit(outyard.Rain, "in"), `{"x":0.1}`, row(arrived, values{outyard.Rain: 2.54}), ""},
		{"kilometres an hour", withUnit(outyard.Wind, "km/h"), `{"x":36}`, row(arrived, values{outyard.Wind: 10}), ""},
		{"miles an hour", withUnit(outyard.Wind, "mph"), `{"x":10}`, row(arrived, values{outyard.Wind: 4.47}), ""}, // 4.4704
		{"knots", withUnit(outyard.Wind, "kn"), `{"x":10}`, row(arrived, values{outyard.Wind: 5.14}), ""},          // 5.1444
		{"counts are left for the hive's scale", flat(raw), `{"n":172000}`, counts, ""},

		{"a missing field is named", flat(weight), `{"weight":41}`, Row{}, `mapping "flat-json": weight: field "w" is missing`},
		{"null is missing", flat(weight), `{"w":null}`, Row{}, `field "w" is missing`},
		{"a field that may be missing", flat(weight, optional(value(outyard.Battery, "V", 1, 0, field("b")))), `{"w":41}`, row(arrived, values{outyard.Weight: 41}), ""},
		{"all that may be missing is", flat(optional(weight)), `{}`, Row{}, "holds none of the quantities"},
		{"what a device sends when it does not know is not known", flat(weight, absent(-127, value(outyard.InsideTemp, "C", 0.1, 0, field("t")))), `{"w":41,"t":-127}`, row(arrived, values{outyard.Weight: 41}), ""},
		{"text is refused", flat(weight), `{"w":"heavy"}`, Row{}, `field "w" holds the text "heavy": want a number`},
		{"text that only a computer calls a number is refused", flat(weight), `{"w":"Inf"}`, Row{}, "want a number"},
		{"so is a hexadecimal", flat(weight), `{"w":"0x1p3"}`, Row{}, "want a number"},
		{"true is refused", flat(weight), `{"w":true}`, Row{}, `field "w" holds true or false`},
		{"a list is refused", flat(weight), `{"w":[41]}`, Row{}, `field "w" holds a list`},
		{"an object is refused", flat(weight), `{"w":{"kg":41}}`, Row{}, `field "w" holds an object`},
		{"a number beyond numbers is refused", flat(weight), `{"w":1e999}`, Row{}, `field "w" is 1e999: too large`},
		{"so is one whose rounding is", flat(weight), `{"w":1e308}`, Row{}, "weight: is too large"},
		{"what is no JSON is refused", flat(weight), `w=41`, Row{}, `mapping "flat-json": message is no JSON`},
		{"nothing is refused", flat(weight), ``, Row{}, "message is no JSON: it is empty"},
		{"JSON with something behind it is refused", flat(weight), `{"w":41}{}`, Row{}, "something follows its end"},
		{"a name given twice is not guessed at", flat(weight), `{"w":41,"w":42}`, Row{}, "duplicate"},
		{"too deep is refused", flat(weight), strings.Repeat("[", 20_000), Row{}, "message is no JSON"},

		{"RFC 3339, in any zone", timed(flat(weight), outyard.RFC3339, field("at")), `{"w":41,"at":"2027-05-12T11:40:00-07:00"}`, row(sent, values{outyard.Weight: 41}), ""},
		{"seconds since 1970", timed(flat(weight), outyard.UnixTime, field("at")), `{"w":41,"at":1810147200}`, row(sent, values{outyard.Weight: 41}), ""},
		{"thousandths of one", timed(flat(weight), outyard.UnixMilli, field("at")), `{"w":41,"at":"1810147200400"}`, row(sent, values{outyard.Weight: 41}), ""},
		{"a time that is missing", timed(flat(weight), outyard.UnixTime, field("at")), `{"w":41}`, Row{}, `time: field "at" is missing`},
		{"a time that may be missing", optionalTime, `{"w":41}`, row(arrived, values{outyard.Weight: 41}), ""},
		{"a time of another form", timed(flat(weight), outyard.RFC3339, field("at")), `{"w":41,"at":"12/05/27"}`, Row{}, `time: field "at" is "12/05/27": want a time such as`},
		{"a number where a text is wanted", timed(flat(weight), outyard.RFC3339, field("at")), `{"w":41,"at":1810147200}`, Row{}, "holds a number: want a time such as"},
		{"thousandths taken for seconds", timed(flat(weight), outyard.UnixTime, field("at")), `{"w":41,"at":1810147200000000}`, Row{}, "is no time in unix: is it another format?"},

		{"JSON within base64, beside the gateway's own fields", wrapped(value(outyard.Weight, "g", 1, 0, inner("w")), value(outyard.Signal, "dBm", 1, 0, field("rssi"))),
			`{"rssi":-97,"up":{"data":"` + base64.StdEncoding.EncodeToString([]byte(`{"w":41250}`)) + `"}}`, row(arrived, values{outyard.Weight: 41.25, outyard.Signal: -97}), ""},
		{"base64 of the other alphabet, without padding", wrapped(value(outyard.Weight, "kg", 1, 0, octets(1, 1, false, false))), `{"up":{"data":"-yk"}}`, row(arrived, values{outyard.Weight: 41}), ""},
		{"two bytes, the greatest first", wrapped(value(outyard.Weight, "kg", 0.01, 0, octets(1, 2, false, false))), envelope("\x00\x10\x1d\x00"), row(arrived, values{outyard.Weight: 41.25}), ""},
		{"two bytes, the least first", wrapped(value(outyard.Weight, "kg", 0.01, 0, octets(0, 2, false, true))), envelope("\x1d\x10"), row(arrived, values{outyard.Weight: 41.25}), ""},
		{"below zero", wrapped(value(outyard.OutsideTemp, "C", 0.01, 0, octets(0, 2, true, false))), envelope("\xfe\x0c"), row(arrived, values{outyard.OutsideTemp: -5}), ""},
		{"three bytes below zero", wrapped(value(outyard.OutsideTemp, "C", 1, 0, octets(0, 3, true, true))), envelope("\xfb\xff\xff"), row(arrived, values{outyard.OutsideTemp: -5}), ""},
		{"the same bits without a sign, as what is not known", wrapped(value(outyard.Weight, "kg", 1, 0, octets(0, 1, false, false)), absent(65535, value(outyard.Battery, "V", 1, 0, octets(1, 2, false, false)))), envelope("\x29\xff\xff"), row(arrived, values{outyard.Weight: 41}), ""},
		{"a time in bytes", timed(wrapped(value(outyard.Weight, "kg", 1, 0, octets(4, 1, false, false))), outyard.UnixTime, octets(0, 4, false, false)), envelope("\x6b\xe4\xa7\x80\x29"), row(sent, values{outyard.Weight: 41}), ""},
		{"bytes that are not there are named", wrapped(value(outyard.Weight, "kg", 1, 0, octets(2, 2, false, false))), envelope("abc"), Row{}, "weight: bytes 2 to 3 are missing: there are 3"},
		{"bytes that may be missing", wrapped(value(outyard.Weight, "kg", 1, 0, octets(0, 1, false, false)), optional(value(outyard.Battery, "V", 1, 0, octets(1, 2, false, false)))), envelope("\x29"), row(arrived, values{outyard.Weight: 41}), ""},
		{"an envelope without its field", wrapped(value(outyard.Weight, "kg", 1, 0, inner("w"))), `{}`, Row{}, `mapping "flat-json": field "up.data" is missing`},
		{"what is no base64", wrapped(value(outyard.Weight, "kg", 1, 0, inner("w"))), `{"up":{"data":"w=41"}}`, Row{}, `field "up.data" is no base64`},
		{"a number in its place", wrapped(value(outyard.Weight, "kg", 1, 0, inner("w"))), `{"up":{"data":41}}`, Row{}, `field "up.data" holds a number: want base64`},
		{"bytes where JSON is wanted", wrapped(value(outyard.Weight, "kg", 1, 0, inner("w"))), envelope("\x01\x02"), Row{}, `field "up.data" holds no JSON within its base64`},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			set, err := NewSet([]outyard.Mapping{c.mapping})
			require.NoError(t, err)
			rows, err := set.Read(nil, topic, []byte(c.payload), arrived)
			if c.err != "" {
				require.ErrorContains(t, err, c.err)
				require.Empty(t, rows)
				return
			}
			require.NoError(t, err)
			require.Empty(t, cmp.Diff([]Row{c.want}, rows, cmpopts.EquateNaNs()))
		})
	}
}

func TestWhereYardAndHiveComeFrom(t *testing.T) {
	weight := value(outyard.Weight, "kg", 1, 0, field("w"))
	cases := []struct {
		name       string
		yard, hive outyard.Origin
		payload    string
		want       string // yard/hive
		err        string
	}{
		{"levels of the topic", outyard.Origin{Level: 2}, outyard.Origin{Level: 3}, `{"w":1}`, "heron-point/h01", ""},
		{"fields", outyard.Origin{Field: "at.yard"}, outyard.Origin{Field: "at.n"}, `{"w":1,"at":{"yard":"mill-creek","n":7}}`, "mill-creek/7", ""},
		{"fixed", outyard.Origin{Fixed: "home"}, outyard.Origin{Fixed: "h09"}, `{"w":1}`, "home/h09", ""},
		{"a device by its number on the box", outyard.Origin{Fixed: "home"}, outyard.Origin{Field: "dev", As: map[string]string{"0A:1B": "h02"}}, `{"w":1,"dev":"0A:1B"}`, "home/h02", ""},
		{"a device that is not in the list goes by its own", outyard.Origin{Fixed: "home"}, outyard.Origin{Field: "dev", As: map[string]string{"0A:1B": "h02"}}, `{"w":1,"dev":"h05"}`, "home/h05", ""},
		{"one whose own is no id", outyard.Origin{Fixed: "home"}, outyard.Origin{Field: "dev"}, `{"w":1,"dev":"0A:1B"}`, "", `mapping "flat-json": hive id "0A:1B"`},
		{"a yard that is no id", outyard.Origin{Field: "y"}, outyard.Origin{Level: 3}, `{"w":1,"y":"Heron Point"}`, "", `yard id "Heron Point"`},
		{"no such level", outyard.Origin{Level: 4}, outyard.Origin{Level: 3}, `{"w":1}`, "", `yard: topic "scales/heron-point/h01" has no level 4`},
		{"no such field", outyard.Origin{Fixed: "home"}, outyard.Origin{Field: "dev"}, `{"w":1}`, "", `hive: field "dev" is missing`},
		{"an empty hive is not the weather", outyard.Origin{Fixed: "home"}, outyard.Origin{Field: "dev"}, `{"w":1,"dev":""}`, "", "hive: id is empty"},
		{"an id that is a list", outyard.Origin{Fixed: "home"}, outyard.Origin{Field: "dev"}, `{"w":1,"dev":["h01"]}`, "", `field "dev" holds a list: want an id`},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			m := flat(weight)
			m.Yard, m.Hive = c.yard, c.hive
			set, err := NewSet([]outyard.Mapping{m})
			require.NoError(t, err)
			rows, err := set.Read(nil, topic, []byte(c.payload), arrived)
			if c.err != "" {
				require.ErrorContains(t, err, c.err)
				return
			}
			require.NoError(t, err)
			require.Equal(t, c.want, fmt.Sprintf("%s/%s", rows[0].Reading.Yard, rows[0].Reading.Hive))
		})
	}

	t.Run("no hive is the yard's weather", func(t *testing.T) {
		m := flat(value(outyard.Rain, "mm", 1, 0, field("r")))
		m.Hive = outyard.Origin{}
		set, err := NewSet([]outyard.Mapping{m})
		require.NoError(t, err)
		rows, err := set.Read(nil, topic, []byte(`{"r":0.2}`), arrived)
		require.NoError(t, err)
		require.Empty(t, rows[0].Reading.Hive)
	})
}

func TestEveryMappingForATopicReadsTheMessage(t *testing.T) {
	one, two := flat(value(outyard.Weight, "kg", 1, 0, field("w.0"))), flat(value(outyard.Weight, "kg", 1, 0, field("w.1")))
	one.Hive, two.Hive = outyard.Origin{Fixed: "h01"}, outyard.Origin{Fixed: "h02"}
	two.Name = "second-cell"
	other := flat(value(outyard.Weight, "kg", 1, 0, field("none")))
	other.Filter = "elsewhere/#"
	set, err := NewSet([]outyard.Mapping{one, two, other})
	require.NoError(t, err)
	require.Equal(t, []string{"scales/+/+", "elsewhere/#"}, set.Filters())

	rows, err := set.Read(nil, topic, []byte(`{"w":[41,38]}`), arrived)
	require.NoError(t, err)
	require.Len(t, rows, 2)
	require.Equal(t, outyard.HiveID("h02"), rows[1].Reading.Hive)
	require.InDelta(t, 38, rows[1].Reading.Values[outyard.Weight], 0)

	rows, err = set.Read(nil, topic, []byte(`{"w":[41]}`), arrived)
	require.EqualError(t, err, `mapping "second-cell": weight: field "w.1" is missing`)
	require.Empty(t, rows, "one that cannot be read makes the message unreadable")

	require.False(t, set.Matches("scales/heron-point"))
	var none *Set
	require.False(t, none.Matches(topic))
	require.Empty(t, none.Filters())
}

func TestNewSetRefuses(t *testing.T) {
	bad := flat(value(outyard.Weight, "stone", 1, 0, field("w")))
	_, err := NewSet([]outyard.Mapping{bad})
	require.EqualError(t, err, `mapping "flat-json": weight: unit "stone" is not known: want kg, g, lb`)
	bad = flat(value(outyard.Weight, "kg", 1, 0, octets(0, 9, false, false)))
	_, err = NewSet([]outyard.Mapping{bad})
	require.ErrorContains(t, err, "weight: 9 bytes at 0: want 1 to 8 bytes")
	bad = flat(value(outyard.Weight, "kg", 1, 0, field("w")))
	bad.Filter = "a/#/b"
	_, err = NewSet([]outyard.Mapping{bad})
	require.ErrorContains(t, err, `topic "a/#/b": # stands at the end only`)
	_, err = NewSet([]outyard.Mapping{flat()})
	require.ErrorContains(t, err, "no quantities")
}

// The examples are those of MQTT 3.1.1 §4.7.1 and §4.7.2.
func TestMatches(t *testing.T) {
	cases := []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"#", "a/b", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "$SYS/monitor", false},
		{"+/monitor/Clients", "$SYS/monitor/Clients", false},
		{"$SYS/#", "$SYS/monitor", true},
		{"ACCOUNTS", "Accounts", false},
		{"a/b", "a/b/c", false},
		{"a/b/c", "a/b", false},
		{"+/tennis/#", "sport/tennis", true},
	}
	for _, c := range cases {
		require.Equal(t, c.want, matches(c.filter, c.topic), "%s for %s", c.filter, c.topic)
	}
}

// FuzzRead: whatever the paths and the message are, a message is refused with
// the name of its mapping, or what comes of it is a number of each value that
// is not optional.
func FuzzRead(f *testing.F) {
	f.Add("w", "up.data", "t", []byte(`{"w":41.25,"t":1810147200,"up":{"data":"eyJ3Ijo0MTI1MH0="}}`), 0, 2, true)
	f.Add("load.cells.#(id==1).kg", "", "at", []byte(`{"load":{"cells":[{"id":1,"kg":"41.25"}]},"at":"1810147200400"}`), 0, 0, false)
	f.Add("a|@reverse|0", "d", "", []byte(`{"a":[1,2],"d":"-yk"}`), 1, 1, false)
	f.Add("..#.w", "d", "..0.t", []byte("{\"w\":1}\n{\"w\":2}"), 7, 8, true)
	f.Fuzz(func(t *testing.T, path, base64Path, timePath string, payload []byte, at, width int, signed bool) {
		m := flat(value(outyard.Weight, "g", 0.5, 3, field(path)))
		if base64Path != "" {
			m.Base64 = base64Path
			m.Values = append(m.Values, value(outyard.InsideTemp, "F", 0.1, 0, octets(at, width, signed, signed)))
		}
		if timePath != "" {
			m = timed(m, outyard.UnixMilli, field(timePath))
		}
		m.Hive = outyard.Origin{Field: path, As: map[string]string{"41.25": "h01"}}
		set, err := NewSet([]outyard.Mapping{m})
		if err != nil {
			return
		}
		rows, err := set.Read(nil, topic, payload, arrived)
		if err != nil {
			if !strings.HasPrefix(err.Error(), `mapping "flat-json": `) || len(rows) > 0 {
				t.Fatalf("%d rows and %v", len(rows), err)
			}
			return
		}
		r := rows[0].Reading
		if r.Hive.Check() != nil || r.Yard.Check() != nil {
			t.Fatalf("yard %q, hive %q", r.Yard, r.Hive)
		}
		if r.Time.Year() < 1970 || r.Time.Year() > 10000 {
			t.Fatalf("time %s", r.Time)
		}
		for _, v := range m.Values {
			if x := r.Values[v.Quantity]; math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%s is %g", v.Name(), x)
			}
		}
	})
}
