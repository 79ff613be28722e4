package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/color"
	"image/png"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var pacific = func() *time.Location {
	z, err := time.LoadLocation("America/Vancouver")
	if err != nil {
		panic(err)
	}
	return z
}()

func day(y int, m time.Month, d, hour int) time.Time {
	return time.Date(y, m, d, hour, 0, 0, 0, pacific)
}

// spring is two weeks of weight in half-hour buckets: a slow gain with a
// day's rise and fall, a silence of a day, and a swarm.
func spring() []Bucket {
	var out []Bucket
	start := day(2027, time.May, 3, 0)
	for i := range 14 * 48 {
		at := start.Add(time.Duration(i) * 30 * time.Minute)
		hours := float64(i) / 2
		if hours > 100 && hours < 124 {
			continue
		}
		kg := 41 + hours/24*0.4 - 0.5*math.Max(0, math.Sin(2*math.Pi*(hours/24-0.3)))
		if hours > 230 {
			kg -= 2.4
		}
		out = append(out, Bucket{From: at, FirstAt: at, MinAt: at.Add(10 * time.Minute), MaxAt: at.Add(20 * time.Minute),
			LastAt: at.Add(20 * time.Minute), First: kg, Min: kg - 0.02, Max: kg + 0.03, Last: kg + 0.03})
	}
	return out
}

func weightChart() Chart {
	return Chart{
		Title: "weight of <h03> & others", Unit: "kg", From: day(2027, time.May, 3, 0), To: day(2027, time.May, 17, 0), Zone: pacific,
		Lines: []Line{{Name: "weight", Buckets: spring()}}, Lowest: math.NaN(), Highest: math.NaN(), LeastSpan: 2, HeightPx: 220,
		Marks: []Mark{
			{At: day(2027, time.May, 12, 14), Letter: "S", Weight: Urgent},
			{At: day(2027, time.May, 12, 15), Letter: "W", Weight: Quiet},
			{At: day(2027, time.May, 6, 15), End: day(2027, time.May, 10, 0), Letter: "D", Weight: Pending},
			{At: day(2027, time.May, 9, 15), Letter: "J", Weight: ByHand},
		},
	}
}

func TestSVGKeepsToAStrictPolicy(t *testing.T) {
	for _, width := range []int{360, 1080} {
		var b bytes.Buffer
		require.NoError(t, weightChart().SVG(&b, width, Light))
		svg := b.String()
		require.NotContains(t, svg, "style=", "style attributes are forbidden without unsafe-inline")
		require.NotContains(t, svg, "<script")
		require.NotContains(t, svg, "NaN")
		require.Contains(t, svg, fmt.Sprintf(`width="%d"`, width))
		require.Contains(t, svg, "<title>weight of &lt;h03&gt; &amp; others</title>", "the name is escaped")
		require.Less(t, b.Len(), 60<<10)
		dec := xml.NewDecoder(&b)
		for {
			if _, err := dec.Token(); err != nil {
				require.True(t, errors.Is(err, io.EOF), "well formed: %v", err)
				break
			}
		}
	}
}

func TestPNGIsSharp(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, weightChart().PNG(&b, 600, Light))
	img, err := png.Decode(&b)
	require.NoError(t, err)
	require.Equal(t, 1200, img.Bounds().Dx(), "two dots a pixel")
}

var label = regexp.MustCompile(`<text [^>]*font-size="([0-9.]+)px"[^>]*>([^<]*)</text>`)

func labels(t *testing.T, c Chart, width int) []string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, c.SVG(&b, width, Light))
	var out []string
	for _, m := range label.FindAllStringSubmatch(b.String(), -1) {
		size, err := strconv.ParseFloat(m[1], 64)
		require.NoError(t, err)
		require.GreaterOrEqual(t, size, 11.0, "a label of %s px cannot be read on a phone", m[1])
		out = append(out, m[2])
	}
	return out
}

func TestAxisOfTime(t *testing.T) {
	at := func(s string) time.Time {
		v, err := time.ParseInLocation("2006-01-02 15:04", s, pacific)
		require.NoError(t, err)
		return v
	}
	tests := []struct {
		name     string
		from, to string
		widthPx  float64
		want     string
	}{
		{"two days on a phone are marked every twelve hours", "2027-05-14 00:00", "2027-05-16 00:00", 300, "14 May 12:00 15 May 12:00 16 May"},
		{"two weeks on a phone are marked on Mondays", "2027-05-03 00:00", "2027-05-17 00:00", 300, "3 May 10 May 17 May"},
		{"a year on a wide page is marked by months, and the new year by its number", "2026-07-01 00:00", "2027-07-01 00:00", 900, "Jul Aug Sep Oct Nov Dec 2027 Feb Mar Apr May Jun Jul"},
		{"ten years are marked by years", "2020-01-01 00:00", "2030-01-01 00:00", 600, "2020 2021 2022 2023 2024 2025 2026 2027 2028 2029 2030"},
		// Clocks go forward at 02:00 on 14 March 2027 in British Columbia.
		{"the day the clocks go forward stays on the hour", "2027-03-14 00:00", "2027-03-15 00:00", 300, "14 Mar 06:00 12:00 18:00 15 Mar"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			for _, k := range timeTicks(at(tt.from), at(tt.to), pacific, tt.widthPx) {
				got = append(got, k.label)
			}
			require.Equal(t, tt.want, strings.Join(got, " "))
		})
	}
}

func TestAxisOfValues(t *testing.T) {
	tests := []struct {
		name   string
		lo, hi float64
		want   string
	}{
		{"a hive's spring in steps of five", 38.6, 61.2, "40 45 50 55 60"},
		{"a still fortnight in halves", 40.1, 42.1, "40.5 41.0 41.5 42.0"},
		{"a loss has a true minus and zero none", -1.2, 1.9, "−1 0 1"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			for _, k := range valueTicks(tt.lo, tt.hi, 180) {
				got = append(got, k.label)
			}
			require.Equal(t, tt.want, strings.Join(got, " "))
		})
	}
}

func TestLineBreaksWhereNothingWasHeard(t *testing.T) {
	got := runs(spring())
	require.Len(t, got, 2, "a day's silence breaks the line once")
	one := spring()
	one = append(one[:20:20], one[21:]...)
	require.Len(t, runs(one), 2, "one lost bucket breaks nothing more")
	require.Nil(t, runs(nil))
}

func TestLeavingTheKeepersWorkOut(t *testing.T) {
	at := func(min int) time.Time { return day(2027, time.May, 12, 10).Add(time.Duration(min) * time.Minute) }
	raw := []Bucket{One(at(0), 40), One(at(10), 40.1), One(at(20), 0.3), One(at(30), 55), One(at(40), 48.1), One(at(50), 48.2)}
	work := []Work{{From: at(10), To: at(40), ChangeKg: 8}}
	value := func(bs []Bucket) (out []float64) {
		for _, b := range bs {
			out = append(out, math.Round(b.Last*100)/100)
		}
		return out
	}
	require.Equal(t, []float64{40, 40.1, 40.1, 40.2}, value(LeaveOut(raw, work)), "the super is taken out, and so is the lifting")
	require.Equal(t, []float64{40, 40.1, 48.1, 48.2}, value(Undisturbed(raw, work)), "nothing moves, the lifting is dropped")
	require.Equal(t, []float64{40, 40.1, 48.1, 48.2}, value(LeaveOut(raw, []Work{{From: at(10), To: at(40), ChangeKg: math.NaN()}})),
		"a change that is not known moves nothing")
	require.Equal(t, value(raw), value(LeaveOut(raw, nil)))

	both := []Work{{From: at(30), ChangeKg: -2}, {From: at(0), ChangeKg: 1}}
	require.Equal(t, []float64{40, 39.1, -0.7, 54, 49.1, 49.2}, value(LeaveOut(raw, both)), "changes add up, in whatever order they are given")
}

func TestMarksDoNotCoverEachOther(t *testing.T) {
	c := weightChart()
	c.Marks = nil
	for range 12 {
		c.Marks = append(c.Marks, Mark{At: day(2027, time.May, 5, 9), Letter: "W"})
	}
	c.Marks = append(c.Marks, Mark{At: day(2027, time.May, 5, 9), Letter: "S", Weight: Urgent})
	rows := placeMarks(c, 360)
	require.Len(t, rows, maxRows)
	require.Equal(t, "S", rows[0][0].mark.Letter, "the most pressing keeps its letter")
	require.Contains(t, labels(t, c, 360), "+11", "what has no room is counted")

	c.Marks = []Mark{{At: day(2026, time.May, 5, 9), Letter: "S"}, {At: day(2026, time.May, 5, 9), End: day(2027, time.May, 6, 0), Letter: "D"}}
	require.Equal(t, "D", placeMarks(c, 360)[0][0].mark.Letter, "what began earlier and lasts is shown at the edge, what is over is not")
}

func TestOddChartsAreDrawn(t *testing.T) {
	empty := Chart{Title: "nothing", From: day(2027, time.May, 3, 0), To: day(2027, time.May, 3, 0), Zone: time.UTC, HeightPx: 100, Lowest: math.NaN(), Highest: math.NaN()}
	far := empty
	far.From, far.To = time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)
	far.Bars = []Bar{{From: far.From, To: far.To, Value: math.NaN()}, {From: far.From, To: far.To, Value: -3}}
	one := empty
	one.To = one.From.Add(time.Hour)
	one.Lines = []Line{{Buckets: []Bucket{One(one.From.Add(time.Minute), 12)}}}
	for name, c := range map[string]Chart{"empty": empty, "ten thousand years": far, "one reading": one} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			require.NoError(t, c.SVG(&b, -5, Dark))
			require.Contains(t, b.String(), "</svg>")
			require.NotContains(t, b.String(), "NaN")
		})
	}
}

// contrast is the ratio of WCAG 2.2, "contrast ratio" and "relative luminance".
func contrast(a, b color.NRGBA) float64 {
	lum := func(c color.NRGBA) float64 {
		ch := func(v uint8) float64 {
			s := float64(v) / 255
			if s <= 0.04045 {
				return s / 12.92
			}
			return math.Pow((s+0.055)/1.055, 2.4)
		}
		return 0.2126*ch(c.R) + 0.7152*ch(c.G) + 0.0722*ch(c.B)
	}
	hi, lo := lum(a), lum(b)
	if hi < lo {
		hi, lo = lo, hi
	}
	return (hi + 0.05) / (lo + 0.05)
}

func TestInksCanBeRead(t *testing.T) {
	require.InDelta(t, 21, contrast(rgb(0), rgb(0xffffff)), 1e-9, "black on white, by definition")
	for name, l := range map[string]Look{"light": Light, "dark": Dark} {
		for ink, c := range map[string]color.NRGBA{"ink": l.Ink, "urgent": l.Urgent, "soon": l.Soon, "quiet": l.Quiet} {
			require.GreaterOrEqual(t, contrast(c, l.Paper), 4.5, "%s %s is text", name, ink)
		}
		for ink, c := range map[string]color.NRGBA{"line": l.Line, "second": l.Second, "third": l.Third, "gain": l.Gain, "loss": l.Loss} {
			require.GreaterOrEqual(t, contrast(c, l.Paper), 3.0, "%s %s is a line", name, ink)
		}
	}
}

func TestPixels(t *testing.T) {
	from := day(2027, time.May, 1, 0)
	require.Equal(t, 510, Pixels(from, from.AddDate(0, 0, 14), 1080), "two pixels a bucket")
	require.Equal(t, 92, Pixels(from, from.AddDate(0, 0, 92), 360), "a day a bucket once days are narrow")
	require.Equal(t, 365, Pixels(from, from.AddDate(1, 0, -1), 1080))
	require.Equal(t, 300, Pixels(from, from.AddDate(9000, 0, 0), 360), "never more than there are pixels")
}

func BenchmarkSVG(b *testing.B) {
	c := weightChart()
	for b.Loop() {
		if err := c.SVG(io.Discard, 1080, Light); err != nil {
			b.Fatal(err)
		}
	}
}

func TestALowChartHasAScale(t *testing.T) {
	for _, r := range [][2]float64{{-0.5, 4}, {0, 3.9}, {-0.1, 1}, {-3, 18}, {0.4, 1.3}, {-0.02, 0.06}} {
		require.GreaterOrEqual(t, len(valueTicks(r[0], r[1], 70)), 2, "from %g to %g: one number is no scale", r[0], r[1])
	}
}
