package senml

import (
	"encoding/hex"
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

var arrived = time.Unix(1772344800, 0).UTC() // 2026-03-01T06:00:00Z

// ignoreOrigin leaves out where in its pack a record stood, and how its time
// was given.
var ignoreOrigin = cmpopts.IgnoreFields(Record{}, "Place", "Relative")

func at(seconds int64, millis ...int64) time.Time {
	t := time.Unix(seconds, 0).UTC()
	for _, ms := range millis {
		t = t.Add(time.Duration(ms) * time.Millisecond)
	}
	return t
}

func number(name, unit string, at time.Time, v float64) Record {
	return Record{Name: name, Unit: unit, Time: at, Kind: Number, Value: v}
}

func TestDecode(t *testing.T) {
	const dev = "urn:dev:ow:10e2073a01080063"
	cases := []struct {
		name string // with the source of the expected values
		pack string
		want []Record
	}{
		// RFC 8428's own examples, by section.
		{"a single data point (RFC 8428 §5.1.1)",
			`[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`,
			[]Record{number(dev, "Cel", arrived, 23.1)}},
		{"multiple data points (RFC 8428 §5.1.2)",
			`[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]`,
			[]Record{number(dev+":voltage", "V", arrived, 120.1), number(dev+":current", "A", arrived, 1.2)}},
		{"base time, base unit and an older version (RFC 8428 §5.1.2, resolved in §5.1.4)",
			`[{"bn":"urn:dev:ow:10e2073a01080063:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
			  {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
			  {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]`,
			[]Record{
				number(dev+":current", "A", at(1276020071, 1), 1.2), number(dev+":current", "A", at(1276020072, 1), 1.3),
				number(dev+":current", "A", at(1276020073, 1), 1.4), number(dev+":current", "A", at(1276020074, 1), 1.5),
				number(dev+":current", "A", at(1276020075, 1), 1.6), number(dev+":voltage", "V", at(1276020076, 1), 120.1),
				number(dev+":current", "A", at(1276020076, 1), 1.7)}},
		{"multiple measurements of no name but the base name (RFC 8428 §5.1.3)",
			`[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},{"u":"lon","v":24.30621},
			  {"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"%EL","t":150,"v":98}]`,
			[]Record{
				number(dev, "%RH", at(1320067464), 20), number(dev, "lon", at(1320067464), 24.30621), number(dev, "lat", at(1320067464), 60.07965),
				number(dev, "%RH", at(1320067524), 20.3), number(dev, "lon", at(1320067524), 24.30622), number(dev, "%EL", at(1320067614), 98)}},
		{"multiple data types (RFC 8428 §5.1.5)",
			`[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},
			  {"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]`,
			[]Record{number(dev+":temp", "Cel", arrived, 23.1), {Name: dev + ":label", Time: arrived, Kind: Text, Text: "Machine Room"},
				{Name: dev + ":open", Time: arrived, Kind: Boolean}, {Name: dev + ":nfc-reader", Time: arrived, Kind: Data, Text: "hi \n"}}},
		{"a collection of resources with a new base name in the middle (RFC 8428 §5.1.6)",
			`[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},{"n":"humidity","u":"%RH","v":30},
			  {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},{"n":"humidity","u":"%RH","v":67}]`,
			[]Record{number("2001:db8::2/temperature", "Cel", at(1320078429), 25.2), number("2001:db8::2/humidity", "%RH", at(1320078429), 30),
				number("2001:db8::1/temperature", "Cel", at(1320078429), 12.3), number("2001:db8::1/humidity", "%RH", at(1320078429), 67)}},

		// Rows H01 to H08 are of the list of check values: RFC 8428 §4.5.
		{"H01: 2^28 is the first absolute second (RFC 8428 §4.5.3)",
			`[{"n":"w","t":268435456,"v":1}]`, []Record{number("w", "", time.Date(1978, 7, 4, 21, 24, 16, 0, time.UTC), 1)}},
		{"H02: below it base time and time count from now (RFC 8428 §4.5.3)",
			`[{"bt":-3600,"n":"w","t":1800,"v":1}]`, []Record{number("w", "", time.Date(2026, 3, 1, 5, 30, 0, 0, time.UTC), 1)}},
		{"H03: an absolute base time with an offset back (RFC 8428 §4.5.3)",
			`[{"bt":1772344800,"n":"w","t":-900,"v":1}]`, []Record{number("w", "", time.Date(2026, 3, 1, 5, 45, 0, 0, time.UTC), 1)}},
		{"H04: it is the sum that crosses the edge (RFC 8428 §4.5.3)",
			`[{"bt":268435450,"n":"w","t":10,"v":1}]`, []Record{number("w", "", time.Date(1978, 7, 4, 21, 24, 20, 0, time.UTC), 1)}},
		{"H05: no time at all is now (RFC 8428 §4.5.3)",
			`[{"n":"w","v":1}]`, []Record{number("w", "", arrived, 1)}},
		{"H06: base value and value are added (RFC 8428 §4.5.4)",
			`[{"bv":40,"n":"w","v":1.25},{"n":"w","v":-0.5}]`, []Record{number("w", "", arrived, 41.25), number("w", "", arrived, 39.5)}},
		{"H07: a base value that is not set back carries on (RFC 8428 §4)",
			`[{"bv":40,"n":"w","v":1.25},{"n":"batt","u":"V","v":12.61}]`, []Record{number("w", "", arrived, 41.25), number("batt", "V", arrived, 52.61)}},
		{"H08: a record's unit goes before the base unit (RFC 8428 §4.5.2)",
			`[{"bu":"kg","n":"w","v":1},{"n":"b","u":"Cel","v":34}]`, []Record{number("w", "kg", arrived, 1), number("b", "Cel", arrived, 34)}},
		{"H09: an unknown label is passed over, whatever it holds (RFC 8428 §4.4)",
			`[{"n":"w","foo":{"a":[1,{"b":"x"}]},"v":1,"bar":null}]`, []Record{number("w", "", arrived, 1)}},
		{"H11: versions 10 and 26 are understood (RFC 8428 §4.4, RFC 9100)",
			`[{"bver":10,"n":"w","v":1},{"bver":26,"n":"w","v":2}]`, []Record{number("w", "", arrived, 1), number("w", "", arrived, 2)}},
		{"one second short of the edge is eight years ahead of now (RFC 8428 §4.5.3)",
			`[{"n":"w","t":268435455,"v":1}]`, []Record{number("w", "", at(1772344800+268435455), 1)}},
		{"a sum stands without a value, and has a base of its own (RFC 8428 §4.2, §4.5.4)",
			`[{"bs":100,"n":"w","s":5},{"n":"w","s":6,"v":2,"ut":90.5}]`,
			[]Record{{Name: "w", Time: arrived, Sum: 105, HasSum: true},
				{Name: "w", Time: arrived, Kind: Number, Value: 2, Sum: 106, HasSum: true, UpdateWithin: 90500 * time.Millisecond}}},
		{"labels and texts may be escaped, and white space is free (RFC 8259)",
			" [ { \"\\u006e\" : \"w\\u0065ight\" , \"v\" : 1e1 } ]\n", []Record{number("weight", "", arrived, 10)}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, err := Decode([]byte(c.pack), arrived)
			require.NoError(t, err)
			require.Empty(t, cmp.Diff(c.want, got, ignoreOrigin, cmpopts.EquateApprox(0, 1e-12)))

			again, err := Decode(EncodeRecords(got), arrived)
			require.NoError(t, err)
			require.Empty(t, cmp.Diff(got, again, ignoreOrigin), "encoded and decoded again")
		})
	}
}

func TestDecodeCBOR(t *testing.T) {
	const voltageAndCurrent = "87" + // RFC 8428 §6, the example of §5.1.2 in CBOR
		"a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f6c7461676501615602fb405e066666666666" +
		"a3006763757272656e74062402fb3ff3333333333333" +
		"a3006763757272656e74062302fb3ff4cccccccccccd" +
		"a3006763757272656e74062202fb3ff6666666666666" +
		"a3006763757272656e74062102f93e00" +
		"a3006763757272656e74062002fb3ff999999999999a" +
		"a3006763757272656e74060002fb3ffb333333333333"
	const dev = "urn:dev:ow:10e2073a0108006:"
	cases := []struct {
		name string
		pack string // hex
		want []Record
	}{
		{"the RFC's own CBOR example (RFC 8428 §6)", voltageAndCurrent, []Record{
			number(dev+"current", "A", at(1276020071, 1), 1.2), number(dev+"current", "A", at(1276020072, 1), 1.3),
			number(dev+"current", "A", at(1276020073, 1), 1.4), number(dev+"current", "A", at(1276020074, 1), 1.5),
			number(dev+"current", "A", at(1276020075, 1), 1.6), number(dev+"voltage", "V", at(1276020076, 1), 120.1),
			number(dev+"current", "A", at(1276020076, 1), 1.7)}},
		{"arrays, maps and strings of no definite length (RFC 8949 §3.2)", "9fbf007f61776165ff0201ffff", []Record{number("we", "", arrived, 1)}},
		{"the tag that says this is CBOR (RFC 8949 §3.4.6)", "d9d9f781a2006177020a", []Record{number("w", "", arrived, 10)}},
		{"a decimal fraction (RFC 8428 §6, RFC 8949 §3.4.4)", "81a200617702c4822119101d", []Record{number("w", "", arrived, 41.25)}},
		{"half, single and double floats (RFC 8949 appendix A)", "83a200617702f93c00a200617702fa47c35000a200617702fbc010666666666666",
			[]Record{number("w", "", arrived, 1), number("w", "", arrived, 100000), number("w", "", arrived, -4.1)}},
		{"the smallest half float (RFC 8949 appendix A)", "81a200617702f90001", []Record{number("w", "", arrived, 5.960464477539063e-8)}},
		{"labels in text, as a plain converter writes them", "81a2616e617761760a", []Record{number("w", "", arrived, 10)}},
		{"text, a boolean and octets", "83a200616103626869a200616204f5a20061630842ff00",
			[]Record{{Name: "a", Time: arrived, Kind: Text, Text: "hi"}, {Name: "b", Time: arrived, Kind: Boolean, Boolean: true}, {Name: "c", Time: arrived, Kind: Data, Text: "\xff\x00"}}},
		{"an unknown label in text or number is passed over, whatever it holds", "81a4006177020163666f6f82a10102430001021863f6", []Record{number("w", "", arrived, 1)}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			pack, err := hex.DecodeString(strings.ReplaceAll(c.pack, " ", ""))
			require.NoError(t, err)
			got, err := Decode(pack, arrived)
			require.NoError(t, err)
			require.Empty(t, cmp.Diff(c.want, got, ignoreOrigin))
		})
	}
}

func TestCBORPassesOnWhatABrokenSensorSends(t *testing.T) {
	for _, pack := range []string{"81a200617702f97e00", "81a200617702f97c00", "81a200617702faff800000"} {
		b, err := hex.DecodeString(pack)
		require.NoError(t, err)
		got, err := Decode(b, arrived)
		require.NoError(t, err)
		require.False(t, outyard.Known(got[0].Value))
	}
}

func TestRefused(t *testing.T) {
	long := strings.Repeat("a", 300)
	cases := []struct {
		name, pack string
		want       []string // what the error says
	}{
		{"H09: a label that must be understood (RFC 8428 §4.4)", `[{"n":"w","v":1},{"n":"w","foo_":1,"v":1}]`, []string{"record 2", `"foo_"`, "leave it out"}},
		{"H10: a space in a name (RFC 8428 §4.5.1)", `[{"bn":"9a","n":"b c","v":1}]`, []string{"record 1", `"9ab c"`, "only letters, digits"}},
		{"H10: a name that begins with _ (RFC 8428 §4.5.1)", `[{"bn":"_x","n":"a","v":1}]`, []string{"record 1", `"_xa"`, "must begin with a letter or digit"}},
		{"H11: version 42 (RFC 9100)", `[{"bver":42,"n":"w","v":1}]`, []string{"record 1", "version 42", "26"}},
		{"H11: version 11 (RFC 9100)", `[{"bver":11,"n":"w","v":1}]`, []string{"version 11"}},
		{"a version of zero (RFC 8428 §4.4)", `[{"bver":0,"n":"w","v":1}]`, []string{"version 0"}},
		{"a version later in the pack", `[{"n":"w","v":1},{"bver":42,"n":"w","v":1}]`, []string{"record 2", "version 42"}},
		{"no name", `[{"v":1}]`, []string{"record 1", "needs a name"}},
		{"a name of 300 letters", `[{"n":"` + long + `","v":1}]`, []string{"record 1", "300 bytes"}},
		{"no value", `[{"n":"w"}]`, []string{"record 1", "no value"}},
		{"a base value alone (RFC 8428 §4.2)", `[{"bv":40,"n":"w"}]`, []string{"record 1", "a base value alone is none"}},
		{"two values", `[{"n":"w","v":1,"vs":"x"}]`, []string{"more than one of v, vs, vb, vd"}},
		{"the same label twice", `[{"n":"w","v":1,"v":2}]`, []string{"record 1", "duplicate"}},
		{"a number as text", `[{"n":"w","v":"41.2"}]`, []string{"record 1", `"v"`, "is a JSON string: want a number"}},
		{"a time of null", `[{"n":"w","t":null,"v":1}]`, []string{`"t"`, "is a JSON null"}},
		{"a number too large to be held", `[{"n":"w","v":1e999}]`, []string{"1e999", "larger than any"}},
		{"a large E (RFC 8428 §5)", `[{"n":"w","v":1E3}]`, []string{"1E3", "small e"}},
		{"data with padding (RFC 8428 §5)", `[{"n":"w","vd":"aGkgCg=="}]`, []string{`"vd"`, "without padding"}},
		{"a time centuries away", `[{"n":"w","t":1772344800000,"v":1}]`, []string{"record 1", "centuries away: want seconds"}},
		{"an object in place of an array", `{"n":"w","v":1}`, []string{"want an array"}},
		{"a record that is none", `[1]`, []string{"record 1", "number: want an object"}},
		{"an empty pack", `[]`, []string{"no records"}},
		{"no pack", ``, []string{"empty"}},
		{"a pack cut short", `[{"n":"w","v":1},{"n":"w"`, []string{"record 2", "unexpected EOF"}},
		{"something behind the pack", `[{"n":"w","v":1}] x`, []string{"something follows the pack"}},
		{"a text that is neither", `w=41.2`, []string{"first byte 0x77", "want a SenML pack"}},
		{"an unknown label that nests without end", `[{"n":"w","v":1,"x":` + strings.Repeat("[", 500) + strings.Repeat("]", 500) + `}]`, []string{"record 1", "more than 8 levels"}},
		{"a negative time to the next", `[{"n":"w","v":1,"ut":-1}]`, []string{`"ut"`, "no number of seconds"}},
		{"text that is not UTF-8", "[{\"n\":\"w\",\"vs\":\"\xff\"}]", []string{"record 1", "UTF-8"}},

		{"a CBOR map in place of an array", "\xa1\x02\x01", []string{"first byte 0xa1"}},
		{"a CBOR tag that is no array's", "\xc1\x01", []string{"no CBOR array"}},
		{"a CBOR array that claims more than there is", "\x9b\xff\xff\xff\xff\xff\xff\xff\xff", []string{"record 1", "cut short"}},
		{"a CBOR string that claims more than there is", "\x81\xa1\x00\x7b\xff\xff\xff\xff\xff\xff\xff\xff", []string{"record 1", `"n"`, "cut short"}},
		{"CBOR text as a number", "\x81\xa2\x00\x61w\x02\x611", []string{"record 1", `"v"`, "integer, float or decimal fraction"}},
		{"the same CBOR label twice", "\x81\xa3\x00\x61w\x02\x01\x02\x01", []string{"record 1", `"v"`, "is there twice"}},
		{"the same label in number and text", "\x81\xa3\x00\x61w\x02\x01\x61v\x01", []string{"record 1", `"v"`, "is there twice"}},
		{"a CBOR label that must be understood", "\x81\xa3\x00\x61w\x02\x01\x62x_\x01", []string{"record 1", `"x_"`}},
		{"a time that is not a number", "\x81\xa3\x00\x61w\x02\x01\x06\xf9\x7e\x00", []string{"record 1", `"t"`, "finite"}},
		{"something behind a CBOR pack", "\x81\xa2\x00\x61w\x02\x01\x00", []string{"something follows the pack"}},
		{"an unknown CBOR label that nests without end", "\x81\xa3\x00\x61w\x02\x01\x61x" + strings.Repeat("\x81", 500) + "\x00", []string{"record 1", "more than 8 levels"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := Decode([]byte(c.pack), arrived)
			for _, want := range c.want {
				require.ErrorContains(t, err, want)
			}
		})
	}
	t.Run("a pack larger than the limit", func(t *testing.T) {
		_, err := Decode(make([]byte, MaxPackBytes+1), arrived)
		require.ErrorContains(t, err, "send fewer records at once")
	})
	t.Run("a pack of more records than the limit", func(t *testing.T) {
		_, err := Decode([]byte("["+strings.Repeat(`{"n":"w","v":1},`, MaxRecords)+`{"n":"w","v":1}]`), arrived)
		require.ErrorContains(t, err, fmt.Sprintf("more than %d records", MaxRecords))
	})
}

func TestVersionErrorCanBeTold(t *testing.T) {
	_, err := Decode([]byte(`[{"bver":42,"n":"w","v":1}]`), arrived)
	require.ErrorIs(t, err, ErrVersion)
	var at *RecordError
	require.ErrorAs(t, err, &at)
	require.Equal(t, 1, at.Place)
}

func TestPrimary(t *testing.T) {
	cases := []struct { // rows H12 and H13 of the list of check values: RFC 8798 §3, table 1
		value     float64
		unit      string
		want      float64
		primary   string
		tolerance float64
	}{
		{-87, "dBm", -117, "dBW", 1e-9},
		{2.4, "mm", 0.0024, "m", 1e-9},
		{1013.2, "hPa", 101320, "Pa", 1e-9},
		{12610, "mV", 12.61, "V", 1e-9},
		{3.6, "mm/h", 1e-6, "m/s", 1e-12},
		{36, "km/h", 10, "m/s", 1e-12},
		{42, "/100", 0.42, "/", 1e-12},
		{41.25, "kg", 41.25, "kg", 0},
		{90, "lb", 90, "lb", 0}, // in no registry: left as it is, for the reader to refuse
	}
	for _, c := range cases {
		unit, v := Primary(c.unit, c.value)
		require.Equal(t, c.primary, unit)
		require.InDelta(t, c.want, v, c.tolerance, "%g %s", c.value, c.unit)
	}
}

func TestEncodeReadings(t *testing.T) {
	first := outyard.NewReading("heron-point", "h01", arrived)
	first.Values[outyard.Weight], first.Values[outyard.InsideTemp] = 41.25, 34.6
	second := outyard.NewReading("heron-point", "h01", arrived.Add(10*time.Minute))
	second.Values[outyard.Weight], second.Values[outyard.Signal] = 41.3, -87
	require.Equal(t, `[{"bver":26,"bt":1772344800,"n":"weight","u":"kg","v":41.25},{"n":"inside-temp","u":"Cel","v":34.6},{"n":"weight","u":"kg","t":600,"v":41.3},{"n":"signal","u":"dBm","t":600,"v":-87}]`,
		string(Encode([]outyard.Reading{first, second})))
	require.Nil(t, Encode([]outyard.Reading{outyard.NewReading("y", "h", arrived)}))

	got, err := Decode(Encode([]outyard.Reading{first, second}), arrived)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff([]Record{number("weight", "kg", arrived, 41.25), number("inside-temp", "Cel", arrived, 34.6),
		number("weight", "kg", second.Time, 41.3), number("signal", "dBm", second.Time, -87)}, got, ignoreOrigin))
}

// A Decoder that has met other packs resolves one as a new Decoder does.
func TestDecoderForgetsThePackBefore(t *testing.T) {
	d := new(Decoder)
	for _, before := range []string{
		`[{"bn":"x","bt":1000,"bu":"kg","bv":5,"bs":7,"n":"a","v":1}]`,
		`[{"bn":"x","bt":1000,"bu":"kg","bv":5,"n":"a","v":1},{"v":`,
		"\x81\xa3\x21\x61x\x22\x01",
	} {
		_, _ = d.Decode([]byte(before), arrived)
		got, err := d.Decode([]byte(`[{"n":"w","v":1}]`), arrived)
		require.NoError(t, err)
		require.Empty(t, cmp.Diff([]Record{number("w", "", arrived, 1)}, got, ignoreOrigin), "after %q", before)
	}
}

func TestDecodeLeavesThePackAsItCame(t *testing.T) {
	const pack = `[{"n":"weight","u":"kg","v":41.25},{"n":"\u0062","v":2}]`
	b := []byte(pack)
	_, err := Decode(b, arrived)
	require.NoError(t, err)
	require.Equal(t, pack, string(b))
}

func TestDecodeAllocatesNothingOnceWarm(t *testing.T) {
	d := new(Decoder)
	decode := func() {
		if _, err := d.Decode(fourRecords, arrived); err != nil {
			t.Fatal(err)
		}
	}
	decode()
	require.Zero(t, testing.AllocsPerRun(100, decode))
}

func TestHalfFloats(t *testing.T) {
	cases := []struct { // RFC 8949 appendix A
		bits uint16
		want float64
	}{{0x0000, 0}, {0x3c00, 1}, {0x3e00, 1.5}, {0x7bff, 65504}, {0x0400, 0.00006103515625}, {0xc400, -4}, {0x7c00, math.Inf(1)}, {0xfc00, math.Inf(-1)}}
	for _, c := range cases {
		require.Equal(t, c.want, half(c.bits))
	}
	require.True(t, math.IsNaN(half(0x7e00)))
}

var fourRecords = []byte(`[{"bt":1772344800,"n":"weight","u":"kg","v":41.25},{"n":"inside-temp","u":"Cel","v":34.6},{"n":"inside-rh","u":"%RH","v":61.5},{"n":"battery","u":"V","v":3.91}]`)

func BenchmarkDecodeJSON(b *testing.B) { benchmarkDecode(b, fourRecords) }

func BenchmarkDecodeCBOR(b *testing.B) {
	benchmarkDecode(b, []byte("\x84\xa4\x22\x1a\x69\xa3\xd5\x20\x00\x66weight\x01\x62kg\x02\xfb\x40\x44\xa0\x00\x00\x00\x00\x00"+
		"\xa3\x00\x6binside-temp\x01\x63Cel\x02\xfb\x40\x41\x4c\xcc\xcc\xcc\xcc\xcd"+
		"\xa3\x00\x69inside-rh\x01\x63%RH\x02\xf9\x53\xb0\xa3\x00\x67battery\x01\x61V\x02\xfb\x40\x0f\x47\xae\x14\x7a\xe1\x48"))
}

func benchmarkDecode(b *testing.B, pack []byte) {
	d := new(Decoder)
	b.ReportAllocs()
	for b.Loop() {
		if rs, err := d.Decode(pack, arrived); err != nil || len(rs) != 4 {
			b.Fatal(rs, err)
		}
	}
}
