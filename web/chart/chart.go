// Package chart draws a stretch of a hive's season: lines with gaps where
// nothing was heard, bars for daily gains, and marks for what was found. It
// exists so that a page (SVG) and a mail (PNG) show the same picture, and so
// that the plotting library's own look stays out of both.
//
// It is given buckets, not readings: a year of ten-minute readings is 52,560
// points, of which a screen can show a thousand.
package chart

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"io"
	"math"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// The plot area's distance in pixels from the left and right edge of the
// picture. They are the same for every chart, so that charts below each other
// share one time axis and a page's read-out can find an instant.
const (
	LeftPx  = 46
	RightPx = 14
)

const (
	legendPx = 24 // above the plot: what is drawn, and its unit
	axisPx   = 24 // below it: dates
	markPx   = 20 // for each row of marks
	maxRows  = 3  // rows of marks; what does not fit is counted in the last
	textPx   = 12
)

// The smallest and largest pictures that are drawn.
const (
	MinWidthPx = 240
	MaxWidthPx = 2000
)

// A Chart is what is to be seen between two instants.
type Chart struct {
	Title    string // for those who cannot see it
	Unit     string // of the axis, shown at its top: "kg"
	From, To time.Time
	Zone     *time.Location // in which the dates of the axis are
	Lines    []Line
	Bars     []Bar
	Refs     []Ref
	Marks    []Mark
	// Lowest and Highest fix the axis where known; NaN leaves that end to the
	// data. What is outside is cut off at the edge.
	Lowest, Highest float64
	LeastSpan       float64 // the axis spans at least this much, so that noise does not look like news
	HeightPx        int     // of the plot area alone
}

// A Line is one quantity in time.
type Line struct {
	Name    string
	Buckets []Bucket
	Style   LineStyle
}

// A LineStyle tells lines apart by dash and weight as well as by colour.
type LineStyle int

// The styles of a line.
const (
	Main   LineStyle = iota // solid
	Second                  // dashed
	Third                   // dotted
)

// A Bar is a sum over a stretch of time, such as a day's gain.
type Bar struct {
	From, To time.Time
	Value    float64
}

// A Ref is a level worth knowing, drawn across.
type Ref struct {
	Value float64
	Label string
}

// A Mark stands above the plot for something that was found or done.
type Mark struct {
	At     time.Time
	End    time.Time // zero: an instant, or not ended
	Letter string
	Weight MarkWeight
}

// A MarkWeight gives a mark its shape: urgency is not told by colour alone.
type MarkWeight int

// The weights of a mark.
const (
	Quiet   MarkWeight = iota // a ring
	Pending                   // a filled square
	Urgent                    // a filled diamond
	ByHand                    // a box, open: the keeper's own entry
)

// PlotWidthPx is the width of the plot area in a picture of that width.
func PlotWidthPx(widthPx int) int { return max(widthPx-LeftPx-RightPx, 1) }

// Pixels is how many buckets to ask for to draw from..to in a picture of that
// width: one for each two pixels, or, once a day is narrower than four pixels,
// one a day, so that the day's own rise and fall does not beat against the
// buckets.
func Pixels(from, to time.Time, widthPx int) int {
	width := PlotWidthPx(widthPx)
	days := int(math.Round(to.Sub(from).Hours() / 24))
	if days > width/4 {
		return min(days, width)
	}
	return max(width/2, 1)
}

// SVG writes the chart as a picture that a strict content security policy
// takes: no style attributes, no scripts, no fonts of its own.
func (c Chart) SVG(w io.Writer, widthPx int, look Look) error {
	widthPx = min(max(widthPx, MinWidthPx), MaxWidthPx)
	rows := placeMarks(c, widthPx)
	height := c.heightPx(rows)
	canvas := vgsvg.NewWith(vgsvg.UseWH(vg.Length(widthPx), vg.Length(height)))
	c.draw(draw.New(canvas), rows, look)
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return fmt.Errorf("draw %s: %w", c.Title, err)
	}
	_, err := w.Write(presentable(b.Bytes(), widthPx, height, c.Title))
	return err
}

// PNG writes the chart as a picture for mail, on the look's paper, with two
// dots a pixel so that it is sharp on a phone.
func (c Chart) PNG(w io.Writer, widthPx int, look Look) error {
	widthPx = min(max(widthPx, MinWidthPx), MaxWidthPx)
	rows := placeMarks(c, widthPx)
	canvas := vgimg.NewWith(vgimg.UseWH(vg.Length(widthPx), vg.Length(c.heightPx(rows))),
		vgimg.UseDPI(144), vgimg.UseBackgroundColor(look.Paper))
	c.draw(draw.New(canvas), rows, look)
	if _, err := (vgimg.PngCanvas{Canvas: canvas}).WriteTo(w); err != nil {
		return fmt.Errorf("draw %s: %w", c.Title, err)
	}
	return nil
}

func (c Chart) heightPx(rows [][]placed) int {
	return legendPx + len(rows)*markPx + c.HeightPx + axisPx
}

// draw lets the library place the data, and draws every line itself: its own
// axes fit their margins to the labels, and charts would not line up.
func (c Chart) draw(all draw.Canvas, rows [][]placed, look Look) {
	p := plot.New()
	p.BackgroundColor = nil
	p.HideAxes()
	p.X.Padding, p.Y.Padding = 0, 0
	p.X.Min, p.X.Max = seconds(c.From), seconds(c.To)
	p.Y.Min, p.Y.Max = c.yRange()
	area := draw.Crop(all, LeftPx, -RightPx, axisPx, -vg.Length(legendPx+len(rows)*markPx))
	p.Add(grid{c, look})
	if len(c.Bars) > 0 {
		p.Add(bars{c, look})
	}
	for _, l := range c.Lines {
		p.Add(line{l, look})
	}
	p.Add(levels{c, look}, legend{c, look, vg.Length(len(rows) * markPx)}, marks{rows, look})
	p.Draw(area)
}

// yRange is the span of the values, widened a little, to round numbers.
func (c Chart) yRange() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	add := func(v float64) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	for _, l := range c.Lines {
		for _, b := range l.Buckets {
			if !b.To().Before(c.From) && b.From.Before(c.To) {
				add(b.Min)
				add(b.Max)
			}
		}
	}
	for _, b := range c.Bars {
		add(0)
		add(b.Value)
	}
	if lo > hi {
		lo, hi = 0, 1
	}
	if short := c.LeastSpan - (hi - lo); short > 0 {
		if len(c.Bars) > 0 && lo == 0 {
			hi += short
		} else {
			lo, hi = lo-short/2, hi+short/2
		}
	}
	pad := 0.06 * (hi - lo)
	if len(c.Bars) == 0 || lo < 0 {
		lo -= pad
	}
	hi += pad
	if !math.IsNaN(c.Lowest) {
		lo = c.Lowest
	}
	if !math.IsNaN(c.Highest) {
		hi = c.Highest
	}
	if hi <= lo {
		hi = lo + 1
	}
	return lo, hi
}

func seconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

// presentable turns the style attributes that the library writes, which a
// strict policy forbids, into presentation attributes, points into pixels,
// and names the picture.
func presentable(svg []byte, widthPx, heightPx int, title string) []byte {
	out := make([]byte, 0, len(svg))
	out = fmt.Appendf(out, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" role="img" font-family="Liberation Sans,Arial,Helvetica,sans-serif"><title>%s</title>`,
		widthPx, heightPx, widthPx, heightPx, html.EscapeString(title))
	// The library's own opening ends with its first group.
	if i := bytes.Index(svg, []byte("<g ")); i >= 0 {
		svg = svg[i:]
	}
	for {
		before, rest, found := bytes.Cut(svg, []byte(`style="`))
		out = append(out, terse(before)...)
		if !found {
			return out
		}
		css, after, _ := bytes.Cut(rest, []byte(`"`))
		for decl := range bytes.SplitSeq(css, []byte(";")) {
			name, value, ok := bytes.Cut(decl, []byte(":"))
			switch {
			case !ok || bytes.Equal(value, []byte("normal")):
			case bytes.Equal(name, []byte("font-family")): // the picture's own, once
			default:
				out = fmt.Appendf(out, `%s="%s" `, name, value)
			}
		}
		svg = after
	}
}

func textStyle(c color.Color, sizePx vg.Length, x, y float64) draw.TextStyle {
	s := draw.TextStyle{Color: c, Handler: plot.DefaultTextHandler, XAlign: draw.XAlignment(x), YAlign: draw.YAlignment(y)}
	s.Font.Typeface, s.Font.Variant, s.Font.Size = "Liberation", "Sans", sizePx
	return s
}
