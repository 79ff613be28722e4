package chart

import (
	"image/color"
	"math"
	"strconv"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// grid draws the lines across, the dates below and the numbers beside.
type grid struct {
	chart Chart
	look  Look
}

func (g grid) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	rule := draw.LineStyle{Color: g.look.Faint, Width: 1}
	beside := textStyle(g.look.Ink, textPx, -1, -0.5)
	for _, t := range valueTicks(p.Y.Min, p.Y.Max, float64(g.chart.HeightPx)) {
		c.StrokeLine2(rule, c.Min.X, y(t.at), c.Max.X, y(t.at))
		c.FillText(beside, vg.Point{X: c.Min.X - 7, Y: y(t.at)}, t.label)
	}
	below := textStyle(g.look.Ink, textPx, -0.5, -1)
	tickRule := draw.LineStyle{Color: g.look.Ink, Width: 1}
	for _, t := range timeTicks(g.chart.From, g.chart.To, g.chart.Zone, float64(c.Max.X-c.Min.X)) {
		at := x(t.at)
		c.StrokeLine2(rule, at, c.Min.Y, at, c.Max.Y)
		c.StrokeLine2(tickRule, at, c.Min.Y, at, c.Min.Y-4)
		// A label that would leave the picture is moved in.
		half := below.Width(t.label) / 2
		at = min(max(at, half+1), c.Max.X+RightPx-half-1)
		c.FillText(below, vg.Point{X: at, Y: c.Min.Y - 7}, t.label)
	}
	base := c.Min.Y
	if p.Y.Min < 0 && len(g.chart.Bars) > 0 {
		base = y(0)
	}
	c.StrokeLine2(tickRule, c.Min.X, base, c.Max.X, base)
}

// levels draws what is worth knowing across, over the curves: on a patch of
// paper its words are read where a curve runs through them, too.
type levels struct {
	chart Chart
	look  Look
}

func (l levels) Plot(c draw.Canvas, p *plot.Plot) {
	_, y := p.Transforms(&c)
	style := textStyle(l.look.Soon, textPx-1, 0, 0)
	paper := l.look.Paper
	paper.A = 0xd0
	for _, r := range l.chart.Refs {
		if r.Value <= p.Y.Min || r.Value >= p.Y.Max {
			continue
		}
		at := y(r.Value)
		c.StrokeLine2(draw.LineStyle{Color: l.look.Soon, Width: 1, Dashes: []vg.Length{2, 3}}, c.Min.X, at, c.Max.X, at)
		// At the left, so that a browser's wider type runs into the chart and
		// not out of the picture.
		left := c.Min.X + 4
		c.SetColor(paper)
		c.Fill(vg.Rectangle{Min: vg.Point{X: left - 2, Y: at + 1}, Max: vg.Point{X: left + 1.1*style.Width(r.Label), Y: at + textPx}}.Path())
		c.FillText(style, vg.Point{X: left, Y: at + 2}, r.Label)
	}
}

// bars stand on zero; a loss is hollow, so that it is told by form.
type bars struct {
	chart Chart
	look  Look
}

// widePx is how wide a bar must be to have its number written on it.
const widePx = 30

func (b bars) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	for _, bar := range b.chart.Bars {
		if math.IsNaN(bar.Value) || !bar.To.After(b.chart.From) || !bar.From.Before(b.chart.To) {
			continue
		}
		left, right := max(x(seconds(bar.From)), c.Min.X), min(x(seconds(bar.To)), c.Max.X)
		if gap := (right - left) * 0.16; gap > 0.3 {
			left, right = left+gap, right-gap
		}
		top := min(max(y(bar.Value), c.Min.Y), c.Max.Y)
		box := vg.Rectangle{Min: vg.Point{X: left, Y: y(0)}, Max: vg.Point{X: right, Y: top}}
		if bar.Value >= 0 {
			c.SetColor(b.look.Gain)
			c.Fill(box.Path())
		} else {
			c.SetColor(faded(b.look.Loss))
			c.Fill(box.Path())
			c.SetLineStyle(draw.LineStyle{Color: b.look.Loss, Width: 1})
			c.Stroke(box.Path())
		}
		if right-left >= widePx*0.68 && p.Y.Max > p.Y.Min {
			style, at := textStyle(b.look.Ink, textPx-1, -0.5, 0), top+2
			if bar.Value < 0 {
				style, at = textStyle(b.look.Ink, textPx-1, -0.5, -1), top-2
			}
			c.FillText(style, vg.Point{X: (left + right) / 2, Y: at}, Number(bar.Value, 1))
		}
	}
}

func faded(c color.NRGBA) color.NRGBA {
	c.A = 0x40
	return c
}

// bandFrom is the width of a bucket from which on a line is drawn as a band
// from least to most with one line through it: a day's rise and fall drawn in
// full would only be a thick scribble.
const bandFrom = 12 * time.Hour

// line draws one quantity, broken where nothing was heard.
type line struct {
	of   Line
	look Look
}

func (l line) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	at := func(t time.Time, v float64) vg.Point { return vg.Point{X: x(seconds(t)), Y: y(v)} }
	style := draw.LineStyle{Color: l.look.Line, Width: 1.7}
	band := l.look.Band
	switch l.of.Style {
	case Second:
		style = draw.LineStyle{Color: l.look.Second, Width: 1.6, Dashes: []vg.Length{6, 3}}
		band = faded(l.look.Second)
		band.A = 0x22
	case Third:
		style = draw.LineStyle{Color: l.look.Third, Width: 1.8, Dashes: []vg.Length{1.8, 3}}
		band = faded(l.look.Third)
		band.A = 0x22
	}
	for _, run := range runs(l.of.Buckets) {
		coarse := len(run) > 1 && run[1].From.Sub(run[0].From) >= bandFrom && !single(run)
		if coarse {
			var poly []vg.Point
			for _, b := range run {
				poly = append(poly, at(middle(b), b.Max))
			}
			for i := len(run) - 1; i >= 0; i-- {
				poly = append(poly, at(middle(run[i]), run[i].Min))
			}
			c.FillPolygon(band, c.ClipPolygonXY(poly))
		}
		var pts []vg.Point
		for _, b := range run {
			if coarse {
				pts = append(pts, at(middle(b), (b.Min+b.Max)/2))
				continue
			}
			for _, q := range b.Points() {
				pts = append(pts, at(q.At, q.Value))
			}
		}
		if len(pts) == 1 {
			if c.Contains(pts[0]) {
				c.DrawGlyph(draw.GlyphStyle{Color: style.Color, Radius: 2, Shape: draw.CircleGlyph{}}, pts[0])
			}
			continue
		}
		c.StrokeLines(style, c.ClipLinesXY(pts)...)
	}
}

func middle(b Bucket) time.Time { return b.FirstAt.Add(b.LastAt.Sub(b.FirstAt) / 2) }

// single says that each bucket holds one value only: a daily figure.
func single(run []Bucket) bool {
	for _, b := range run {
		if !b.FirstAt.Equal(b.LastAt) {
			return false
		}
	}
	return true
}

// legend says above the plot what is drawn.
type legend struct {
	chart  Chart
	look   Look
	risePx vg.Length // above the marks
}

func (l legend) Plot(c draw.Canvas, _ *plot.Plot) {
	y := c.Max.Y + l.risePx + legendPx/2
	text := textStyle(l.look.Ink, textPx, 0, -0.5)
	c.FillText(text, vg.Point{X: 2, Y: y}, l.chart.Unit)
	at := max(c.Min.X, 2+text.Width(l.chart.Unit)+14)
	for _, of := range l.chart.Lines {
		if of.Name == "" {
			continue
		}
		style := draw.LineStyle{Color: l.look.Line, Width: 2}
		switch of.Style {
		case Second:
			style = draw.LineStyle{Color: l.look.Second, Width: 2, Dashes: []vg.Length{6, 3}}
		case Third:
			style = draw.LineStyle{Color: l.look.Third, Width: 2, Dashes: []vg.Length{1.8, 3}}
		}
		c.StrokeLine2(style, at, y, at+22, y)
		c.FillText(text, vg.Point{X: at + 27, Y: y}, of.Name)
		at += 27 + text.Width(of.Name) + 16
	}
}

// placed is a mark with its place in the picture.
type placed struct {
	mark  Mark
	xPx   vg.Length // of its middle, from the picture's left edge
	endPx vg.Length
	more  int // how many others it stands for
}

// placeMarks puts marks into rows so that none covers another, the weightiest
// first; what finds no room is counted on its neighbour.
func placeMarks(c Chart, widthPx int) [][]placed {
	span := c.To.Sub(c.From).Seconds()
	if span <= 0 {
		return nil
	}
	width := float64(PlotWidthPx(widthPx))
	px := func(t time.Time) vg.Length {
		f := t.Sub(c.From).Seconds() / span
		return LeftPx + vg.Length(min(max(f, 0), 1)*width)
	}
	var rows [][]placed
	for weight := Urgent; weight >= Quiet; weight-- {
		for _, m := range c.Marks {
			if shapeRank(m.Weight) != weight || !m.At.Before(c.To) || (m.At.Before(c.From) && !m.End.After(c.From)) {
				continue
			}
			rows = place(rows, placed{mark: m, xPx: px(m.At), endPx: px(m.End)})
		}
	}
	return rows
}

// shapeRank lets what the keeper did take its place after what was found.
func shapeRank(w MarkWeight) MarkWeight {
	if w == ByHand {
		return Quiet
	}
	return w
}

func place(rows [][]placed, p placed) [][]placed {
	const roomPx = 21
	var near *placed
	for i := range rows {
		free := true
		for j := range rows[i] {
			if d := rows[i][j].xPx - p.xPx; d > -roomPx && d < roomPx {
				free, near = false, &rows[i][j]
				break
			}
		}
		if free {
			rows[i] = append(rows[i], p)
			return rows
		}
	}
	if len(rows) < maxRows {
		return append(rows, []placed{p})
	}
	near.more++
	return rows
}

type marks struct {
	rows [][]placed
	look Look
}

func (m marks) Plot(c draw.Canvas, _ *plot.Plot) {
	for i, row := range m.rows {
		y := c.Max.Y + vg.Length(i*markPx) + markPx/2 + 1
		for _, p := range row {
			ink := m.look.Quiet
			switch p.mark.Weight {
			case Urgent:
				ink = m.look.Urgent
			case Pending:
				ink = m.look.Soon
			}
			c.StrokeLine2(draw.LineStyle{Color: ink, Width: 1, Dashes: []vg.Length{3, 3}}, p.xPx, c.Min.Y, p.xPx, y-8)
			if !p.mark.End.IsZero() && p.endPx > p.xPx+10 {
				c.StrokeLine2(draw.LineStyle{Color: faded(ink), Width: 3}, p.xPx, y, p.endPx, y)
			}
		}
	}
	// Shapes come after all lines, so that none is struck through.
	for i, row := range m.rows {
		y := c.Max.Y + vg.Length(i*markPx) + markPx/2 + 1
		for _, p := range row {
			m.shape(c, p, y)
		}
	}
}

func (m marks) shape(c draw.Canvas, p placed, y vg.Length) {
	fill, ink, edge := m.look.Paper, m.look.Quiet, m.look.Quiet
	switch p.mark.Weight {
	case Urgent:
		fill, ink, edge = m.look.Urgent, m.look.Paper, m.look.Urgent
	case Pending:
		fill, ink, edge = m.look.Soon, m.look.Paper, m.look.Soon
	}
	var path vg.Path
	const r = 8
	switch p.mark.Weight {
	case Urgent:
		path.Move(vg.Point{X: p.xPx, Y: y + r + 2})
		path.Line(vg.Point{X: p.xPx + r + 2, Y: y})
		path.Line(vg.Point{X: p.xPx, Y: y - r - 2})
		path.Line(vg.Point{X: p.xPx - r - 2, Y: y})
		path.Close()
	case Quiet:
		path.Move(vg.Point{X: p.xPx + r, Y: y})
		path.Arc(vg.Point{X: p.xPx, Y: y}, r, 0, 2*math.Pi)
		path.Close()
	default:
		path = vg.Rectangle{Min: vg.Point{X: p.xPx - r, Y: y - r}, Max: vg.Point{X: p.xPx + r, Y: y + r}}.Path()
	}
	c.SetColor(fill)
	c.Fill(path)
	c.SetLineStyle(draw.LineStyle{Color: edge, Width: 1.3})
	c.Stroke(path)
	letter := p.mark.Letter
	if p.more > 0 {
		letter = "+" + strconv.Itoa(p.more+1)
	}
	c.FillText(textStyle(ink, textPx-1, -0.5, -0.5), vg.Point{X: p.xPx, Y: y + 0.8}, letter)
}
