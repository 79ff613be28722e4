package web

import (
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"outyard"
	"outyard/web/chart"
)

type hivePage struct {
	Name, ID          string
	YardName, YardURL string
	Span              string
	Notes             []string // what was wrong with the address
	Facts             []fact   // the newest numbers
	HeardAgo, Heard   string
	Out               bool // the keeper's work is left out
	InURL, OutURL     string
	Ranges            []choice
	Earlier, Later    string
	From, To          string // for the date fields
	Charts            []picture
	Missing           []string // what was not heard, and what cannot be told without it
	Found             []note
	Entries           []entryRow
	DayCount          int
	Days              template.HTML // the newest first
	CSVURL, Self      string
	ReadingsURL       string
	AddURL            string
	Zone              string
}

type choice struct {
	Text, URL string
	Here      bool
}

// A picture is a chart in the page: its addresses for each width and look,
// what it says in words, and where its numbers are.
type picture struct {
	Name, Caption, Alt, Words string
	Sources                   []source
	URL                       string
	Width, Height             int
	Readout                   string // JSON for the script
	FromUnix, ToUnix          int64
	Zone                      string
	Left, Right               int
	Zoom                      string // the page that shows a stretch of it; empty: this one
}

type source struct{ Media, URL string }

type entryRow struct {
	When, ISO, What, Kg, Note, HiveName, HiveURL, YardName, YardURL string

	FixURL string // where it is put right
	By     string // who wrote it, where that is known
}

// defaultDays is what a hive shows when nothing else is asked for.
const defaultDays = 14

// quickRanges are the stretches one tap away.
var quickRanges = []struct {
	text string
	days int
}{{"2 days", 2}, {"2 weeks", defaultDays}, {"3 months", 92}, {"A year", 365}}

// hiveSpan reads the asked stretch; where none was asked, the last two weeks,
// or, of a hive that went quiet earlier, its last two weeks.
func (s *site) hiveSpan(ctx context.Context, p place, hive outyard.HiveID, q url.Values, now time.Time) (span, error) {
	fallback := lastDays(defaultDays, now, p.zone())
	if q.Get("from") == "" && q.Get("to") == "" {
		last, err := s.newestOf(ctx, p.ID, hive)
		if err != nil {
			return span{}, err
		}
		if !last.Time.IsZero() && last.Time.Before(fallback.From) {
			fallback = lastDays(defaultDays, last.Time, p.zone())
		}
	}
	return parseSpan(q, fallback, now), nil
}

func (s *site) newestOf(ctx context.Context, yard outyard.YardID, hive outyard.HiveID) (outyard.Reading, error) {
	// A hive that speaks is found among its last hours, without asking for
	// every hive's newest.
	now := s.Now()
	for _, back := range []time.Duration{late, 2 * 24 * time.Hour} {
		last, found := outyard.Reading{}, false
		err := s.store.EachReading(ctx, Query{Yard: yard, Hive: hive, Weather: hive == "", From: now.Add(-back)}, func(r outyard.Reading) error {
			last, found = r, true
			return nil
		})
		if err != nil || found {
			return last, err
		}
	}
	newest, err := s.store.Newest(ctx)
	if err != nil {
		return outyard.Reading{}, fmt.Errorf("newest readings: %w", err)
	}
	for _, r := range newest {
		if r.Yard == yard && r.Hive == hive {
			return r, nil
		}
	}
	return outyard.NewReading(yard, hive, time.Time{}), nil
}

func (s *site) hive(w http.ResponseWriter, r *http.Request) error {
	ctx, now, q := r.Context(), s.Now(), r.URL.Query()
	yard, hive := outyard.YardID(r.PathValue("yard")), outyard.HiveID(r.PathValue("hive"))
	p, err := s.place(ctx, yard, hive)
	if err != nil {
		return err
	}
	sp, err := s.hiveSpan(ctx, p, hive, q, now)
	if err != nil {
		return err
	}
	last, err := s.newestOf(ctx, yard, hive)
	if err != nil {
		return err
	}
	state, err := s.warmth(ctx, yard, hive, last.Time)
	if err != nil {
		return err
	}
	found, err := s.foundIn(ctx, yard, hive, sp)
	if err != nil {
		return err
	}
	days, err := s.allDays(ctx, sp.daysQuery(yard, hive))
	if err != nil {
		return fmt.Errorf("days of %s/%s: %w", yard, hive, err)
	}
	entries, err := s.entriesIn(ctx, yard, hive, sp)
	if err != nil {
		return err
	}
	flew, err := s.flight(ctx, p, hive, now)
	if err != nil {
		return err
	}
	v := hivePage{
		Name: p.hiveName(hive), ID: string(hive), YardName: p.name(), YardURL: yardURL(yard), Span: sp.text(now), Notes: sp.Notes,
		Out: q.Get("work") == "out", From: sp.FirstDay().String(), To: sp.LastDay().String(), Self: r.URL.Path, Zone: p.zone().String(),
		HeardAgo: agoText(last.Time, now, p.zone()), Heard: whenText(last.Time, now, p.zone()),
		Facts:  newestFacts(last, state, flew, s.perDegree(yard, hive), days),
		AddURL: "/journal?" + url.Values{"yard": {string(yard)}, "hive": {string(hive)}}.Encode() + "#write",
	}
	at := func(sp span, out bool) string {
		q := sp.query()
		if out {
			q.Set("work", "out")
		}
		return r.URL.Path + "?" + q.Encode()
	}
	v.InURL, v.OutURL = at(sp, false), at(sp, true)
	for _, c := range quickRanges {
		to := lastDays(c.days, now, p.zone())
		v.Ranges = append(v.Ranges, choice{c.text, at(to, v.Out), to.From.Equal(sp.From) && to.To.Equal(sp.To)})
	}
	v.Earlier = at(sp.moved(-1), v.Out)
	if sp.To.Before(now) {
		v.Later = at(sp.moved(1), v.Out)
	}
	v.CSVURL = hiveURL(yard, hive) + "/daily.csv?" + sp.query().Encode()
	v.ReadingsURL = hiveURL(yard, hive) + "/readings.csv?" + sp.query().Encode()
	if v.Charts, v.Missing, err = s.pictures(ctx, p, hive, sp, v.Out, found, entries, days, now); err != nil {
		return err
	}
	for _, f := range found {
		v.Found = append(v.Found, s.noteOf(f, p, now))
	}
	alerts, err := s.alerts(ctx)
	if err != nil {
		return err
	}
	withAlerts(v.Found, alerts, now, p.zone())
	for _, e := range entries {
		v.Entries = append(v.Entries, entryRowOf(e, p, now))
	}
	v.DayCount, v.Days = len(days), dayRows(days)
	return s.show(w, r, http.StatusOK, "hive", frame{Title: v.Name + ", " + v.YardName, Here: "yards", Honey: true, Page: v})
}

// foundIn are the findings about a hive, and about the whole yard but its
// weather, that touch the span.
func (s *site) foundIn(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, sp span) ([]outyard.Finding, error) {
	all, err := s.allFindings(ctx, Query{Yard: yard, Hive: hive, To: sp.To})
	if err != nil {
		return nil, fmt.Errorf("findings of %s/%s: %w", yard, hive, err)
	}
	return slices.DeleteFunc(all, func(f outyard.Finding) bool { return !touches(f, sp) }), nil
}

// touches says whether a finding lies at least partly in the span.
func touches(f outyard.Finding, sp span) bool {
	if !f.Onset.Before(sp.To) {
		return false
	}
	return !f.Onset.Before(sp.From) || f.State == outyard.Open || f.End.After(sp.From)
}

func (s *site) entriesIn(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, sp span) ([]outyard.Entry, error) {
	// Entries about the whole yard belong to each of its hives.
	all, _, err := s.store.Entries(ctx, Query{Yard: yard, From: sp.From, To: sp.To})
	if err != nil {
		return nil, fmt.Errorf("journal of %s/%s: %w", yard, hive, err)
	}
	return slices.DeleteFunc(all, func(e outyard.Entry) bool { return hive != "" && e.Hive != "" && e.Hive != hive }), nil
}

func newestFacts(r outyard.Reading, state, flew, perDegree string, days []outyard.Day) []fact {
	var out []fact
	add := func(label string, v float64, decimals int, unit string) {
		if outyard.Known(v) {
			out = append(out, fact{label, number(v, decimals) + " " + unit})
		}
	}
	add("Weight", r.Values[outyard.Weight], 1, "kg")
	add("Inside", r.Values[outyard.InsideTemp], 1, "°C")
	if state != "" {
		out = append(out, fact{"By its warmth", state})
	}
	add("Humidity inside", r.Values[outyard.InsideRH], 0, "%")
	storesKg, mould := outyard.Unknown, outyard.Unknown
	for _, d := range days {
		if outyard.Known(d.StoresKg) {
			storesKg = d.StoresKg
		}
		if outyard.Known(d.MouldIndex) {
			mould = d.MouldIndex
		}
	}
	add("Stores, about", storesKg, 0, "kg")
	add("Mould index", mould, 1, "of 6")
	if flew != "" {
		out = append(out, fact{"Foragers yesterday, by its weight", flew})
	}
	add("Battery", r.Values[outyard.Battery], 2, "V")
	if perDegree != "" {
		out = append(out, fact{"Its scale and warmth", perDegree})
	}
	return out
}

// perDegree says what warmth does to a hive's scale, in grams, "" while that is
// not known.
func (s *site) perDegree(yard outyard.YardID, hive outyard.HiveID) string {
	if s.PerDegree == nil {
		return ""
	}
	const knownKg = 0.005 // a smaller error is worth telling of a scale that takes no notice
	switch c, ok := s.PerDegree(yard, hive); {
	case !ok:
		return ""
	case c.Sure && c.Kg > 0:
		return number(1000*c.Kg, 0) + " g more for each degree warmer, taken out of the gains"
	case c.Sure:
		return number(-1000*c.Kg, 0) + " g less for each degree warmer, taken out of the gains"
	case c.ErrorKg < knownKg:
		return "takes no notice that could be told from its noise"
	}
	return ""
}

func entryRowOf(e outyard.Entry, p place, now time.Time) entryRow {
	row := entryRow{When: whenText(e.Time, now, p.zone()), ISO: e.Time.UTC().Format(time.RFC3339), What: entryTexts[e.Kind], Note: e.Note, By: e.By,
		YardName: p.name(), YardURL: yardURL(p.ID)}
	if row.What == "" {
		row.What = string(e.Kind)
	}
	if e.ID != "" {
		row.FixURL = "/journal/" + url.PathEscape(e.ID)
	}
	if e.Part != "" {
		row.What += ": " + outyard.Part(e.Part).Plain()
	}
	if outyard.Known(e.Kg) {
		row.Kg = number(e.Kg, 1) + " kg"
	}
	if e.Hive != "" {
		row.HiveName, row.HiveURL = p.hiveName(e.Hive), hiveURL(e.Yard, e.Hive)
	}
	return row
}

// dayRows are the rows of the daily table, the newest first. They are put
// together here, since the template took as long for a year of them as all else
// in the page; dates and numbers of our own making are all that is in them.
func dayRows(days []outyard.Day) template.HTML {
	var b strings.Builder
	b.Grow(len(days) * 256)
	for _, d := range slices.Backward(days) {
		b.WriteString(`<tr><th scope="row">`)
		b.WriteString(template.HTMLEscapeString(d.Date.String()))
		b.WriteString(`</th>`)
		coverage := number(d.Coverage*100, 0)
		if outyard.Known(d.Coverage) {
			coverage += " %"
		}
		for _, cell := range [...]string{signed(d.GainKg, 2), signed(d.HandledKg, 1), number(d.NightLossKg, 2), number(d.StoresKg, 1),
			number(d.MouldIndex, 2), number(d.WallRHPct, 0), number(d.BroodTempC, 1), coverage} {
			b.WriteString(`<td class="n">`)
			b.WriteString(template.HTMLEscapeString(cell))
			b.WriteString(`</td>`)
		}
		b.WriteString(`</tr>`)
	}
	return template.HTML(b.String())
}

// The widths in which charts are drawn, by the width of the window: text in a
// picture shrinks with it, so the picture must fit and not be shrunk.
var widths = []struct {
	media string
	px    int
}{{"(max-width: 479px)", 344}, {"(max-width: 767px)", 440}, {"(max-width: 1199px)", 700}, {"", 1120}}

// A drawing is one of a hive's charts.
type drawing struct {
	name, caption string
	unit          string
	heightPx      int
	climate       bool // is of the hive's air
}

var drawings = []drawing{
	{"weight", "Weight", "kg", 230, false},
	{"gain", "Gain by day", "kg", 110, false},
	{"temperature", "Warmth", "°C", 150, true},
	{"humidity", "Humidity", "%", 120, true},
	{"vapour", "Water vapour in the air", "Pa", 120, true},
	{"mould", "Mould index on the wall", "0 to 6", 80, true},
}

// pictures are the charts that have something to show, with their marks in
// words, and what is not told since nothing was heard of it.
func (s *site) pictures(ctx context.Context, p place, hive outyard.HiveID, sp span, out bool, found []outyard.Finding, entries []outyard.Entry, days []outyard.Day, now time.Time) (all []picture, missing []string, err error) {
	base := hiveURL(p.ID, hive) + "/chart/"
	marked := map[bool]string{false: marksSaid(found, entries, p.zone()), true: marksSaid(climateOf(found), entries, p.zone())}
	climateSaid := "" // the chart that has the words for the marks of all of the climate
	heard := map[string]bool{}
	for _, d := range drawings {
		words, readout, err := s.inWords(ctx, d.name, p, hive, sp, out, found, days, now)
		if err != nil {
			return nil, nil, err
		}
		if words == "" {
			continue
		}
		for _, r := range readout {
			heard[d.name+" "+r.Name] = true
		}
		q := sp.query()
		if out && d.name == "weight" {
			q.Set("work", "out")
		}
		caption := d.caption
		if d.name == "weight" && out {
			caption += ", the keeper’s work left out"
		}
		js, err := json.Marshal(readout)
		if err != nil {
			return nil, nil, fmt.Errorf("read-out of %s: %w", d.name, err)
		}
		pic := pictureOf(base+d.name+".svg", q, d.name, caption, words, string(js), sp, d.heightPx)
		if said := marked[d.climate]; said != "" && d.name != "gain" {
			pic.Alt += " " + said
			switch {
			case !d.climate:
				pic.Words += " " + said
			case climateSaid == "":
				pic.Words, climateSaid = pic.Words+" "+said, d.caption
			default:
				pic.Words += " Marked as under " + climateSaid + "."
			}
		}
		all = append(all, pic)
	}
	return all, unheard(heard), nil
}

// unheard says what a hive's charts leave open, since it was not sent.
func unheard(heard map[string]bool) (said []string) {
	if len(heard) == 0 {
		return nil // the page says that nothing at all was heard
	}
	warm, damp, weather := heard["temperature inside"], heard["humidity inside"], heard["temperature outside"]
	switch {
	case !warm && !damp:
		said = append(said, "Nothing was heard of the air in this hive in these days: brood, damp and mould are not told here.")
	case !warm:
		said = append(said, "Nothing was heard of the warmth in this hive in these days: brood, water vapour and mould are not told here.")
	case !damp:
		said = append(said, "Nothing was heard of the humidity in this hive in these days: damp and mould are not told here.")
	}
	if (warm || damp) && !weather {
		said = append(said, "Nothing was heard of this yard’s weather in these days: the humidity at the wall and mould are not reckoned without it, and damp is judged by the yard’s other hives alone, which is weaker.")
	}
	return said
}

// pictureOf fills the addresses of a chart for each width and look.
func pictureOf(path string, q url.Values, name, caption, words, readout string, sp span, heightPx int) picture {
	widest := widths[len(widths)-1].px
	pic := picture{Name: name, Caption: caption, Words: words, Alt: caption + ". " + words, Readout: readout, Width: widest, Height: heightPx,
		FromUnix: sp.From.Unix(), ToUnix: sp.To.Unix(), Zone: sp.zone.String(), Left: chart.LeftPx, Right: chart.RightPx}
	at := func(px int, dark bool) string {
		q.Set("w", strconv.Itoa(px))
		if dark {
			q.Set("look", "dark")
		} else {
			q.Del("look")
		}
		return path + "?" + q.Encode()
	}
	for _, dark := range []bool{true, false} {
		for _, w := range widths {
			var media []string
			if dark {
				media = append(media, "(prefers-color-scheme: dark)")
			}
			if w.media != "" {
				media = append(media, w.media)
			}
			if len(media) > 0 {
				pic.Sources = append(pic.Sources, source{strings.Join(media, " and "), at(w.px, dark)})
			}
		}
	}
	pic.URL = at(widest, false)
	return pic
}

// A readout tells the script where a chart's numbers are.
type readout struct {
	Name     string `json:"name"`
	Unit     string `json:"unit"`
	Decimals int    `json:"decimals"`
	URL      string `json:"url,omitempty"`
	Field    string `json:"field,omitempty"` // of a daily row; empty: a series

	At [][2]float64 `json:"at,omitempty"` // unix seconds and values, instead of a URL
}

// Of more than longSpan, the climate is put into words by its first and last
// endDays alone: to read a year of it for one sentence, which its chart reads
// anyhow, would make the page wait.
const (
	longSpan = 62 * 24 * time.Hour
	endDays  = 3
)

// overall is a quantity over the whole span in one bucket, or, where only the
// ends were read, in two. The least and the most of a weight are always told.
func (s *site) overall(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, quantity outyard.Quantity, sp span, out bool, found []outyard.Finding) ([]chart.Bucket, error) {
	if quantity == outyard.Weight {
		// In as many buckets as its chart, which then need not be read again,
		// and so that what lies beside the work can be told apart from it.
		b, err := s.buckets(ctx, yard, hive, quantity, sp.From, sp.To, chart.Pixels(sp.From, sp.To, widths[len(widths)-1].px))
		if out {
			b = chart.LeaveOut(b, workOf(found))
		}
		return chart.Whole(b), err
	}
	if sp.To.Sub(sp.From) > longSpan {
		first, err := s.buckets(ctx, yard, hive, quantity, sp.From, sp.From.AddDate(0, 0, endDays), 1)
		if err != nil {
			return nil, err
		}
		last, err := s.buckets(ctx, yard, hive, quantity, sp.To.AddDate(0, 0, -endDays), sp.To, 1)
		if err != nil {
			return nil, err
		}
		if len(first) > 0 && len(last) > 0 {
			return append(first, last...), nil
		}
	}
	return s.buckets(ctx, yard, hive, quantity, sp.From, sp.To, 1)
}

// inWords says what a chart shows, for those who cannot see it, and where the
// numbers are; "" when there is nothing to show.
func (s *site) inWords(ctx context.Context, name string, p place, hive outyard.HiveID, sp span, out bool, found []outyard.Finding, days []outyard.Day, now time.Time) (string, []readout, error) {
	rfc := func(t time.Time) string { return t.UTC().Format(time.RFC3339) }
	series := func(label string, h outyard.HiveID, quantity outyard.Quantity, decimals int) (string, readout, error) {
		b, err := s.overall(ctx, p.ID, h, quantity, sp, out, found)
		if err != nil || len(b) == 0 {
			return "", readout{}, err
		}
		in := quantity.Info()
		u := url.Values{"yard": {string(p.ID)}, "quantity": {in.Name}, "from": {rfc(sp.From)}, "to": {rfc(sp.To)}, "pixels": {"400"}}
		if h != "" {
			u.Set("hive", string(h))
		}
		if out && quantity == outyard.Weight {
			u.Set("work", "out")
		}
		unit := strings.ReplaceAll(in.Unit, "%RH", "%")
		text := fmt.Sprintf("%s: %s %s at first, %s at last", label, number(b[0].First, decimals), unit, number(b[len(b)-1].Last, decimals))
		if len(b) == 1 {
			text += fmt.Sprintf(", between %s and %s", number(b[0].Min, decimals), number(b[0].Max, decimals))
		}
		text += "."
		return text, readout{Name: strings.ToLower(label), Unit: unit, Decimals: decimals, URL: "/api/v1/series?" + u.Encode()}, nil
	}
	daily := func(label, unit, field string, decimals int, of func(outyard.Day) float64) (known int, r readout) {
		for _, d := range days {
			if outyard.Known(of(d)) {
				known++
			}
		}
		u := url.Values{"yard": {string(p.ID)}, "hive": {string(hive)}, "from": {sp.FirstDay().String()}, "to": {sp.LastDay().String()}, "limit": {"1000"}}
		return known, readout{Name: label, Unit: unit, Decimals: decimals, URL: "/api/v1/daily?" + u.Encode(), Field: field}
	}
	var texts []string
	var reads []readout
	add := func(text string, r readout, err error) error {
		if err != nil {
			return fmt.Errorf("series of %s/%s: %w", p.ID, hive, err)
		}
		if text != "" {
			texts, reads = append(texts, text), append(reads, r)
		}
		return nil
	}
	switch name {
	case "weight":
		if err := add(series("Weight", hive, outyard.Weight, 1)); err != nil {
			return "", nil, err
		}
	case "gain":
		known, r := daily("gain", "kg", "gain_kg", 2, func(d outyard.Day) float64 { return d.GainKg })
		if known > 0 {
			sum, best, bestDay := 0.0, math.Inf(-1), outyard.Date{}
			for _, d := range days {
				if outyard.Known(d.GainKg) {
					sum += d.GainKg
					if d.GainKg > best {
						best, bestDay = d.GainKg, d.Date
					}
				}
			}
			texts = append(texts, fmt.Sprintf("%s kg over %s with readings; the best was %s kg on %s.", signed(sum, 1), count(known, "day", "days"),
				signed(best, 1), dateText(bestDay, now, p.zone())))
			reads = append(reads, r)
		}
	case "temperature":
		if err := add(series("Inside", hive, outyard.InsideTemp, 1)); err != nil {
			return "", nil, err
		}
		if err := add(series("Outside", "", outyard.OutsideTemp, 1)); err != nil {
			return "", nil, err
		}
		if len(reads) > 0 && reads[0].Name == "inside" {
			texts = append(texts, broodWords)
		}
	case "humidity":
		if err := add(series("Inside", hive, outyard.InsideRH, 0)); err != nil {
			return "", nil, err
		}
		if known, r := daily("on the wall", "%", "wall_rh_pct", 0, func(d outyard.Day) float64 { return d.WallRHPct }); known > 0 {
			texts, reads = append(texts, wallWords(days)), append(reads, r)
		}
		for _, d := range slices.Backward(days) {
			if outyard.Known(d.WallWetHours) && outyard.Known(d.DewMarginK) {
				texts = append(texts, wallText(d, now, p.zone()))
				break
			}
		}
	case "vapour":
		for _, l := range []struct {
			label, name string
			hive        outyard.HiveID
		}{{"Inside", insideVapour, hive}, {"Outside", outsideVapour, ""}} {
			first, last, err := s.vapourEnds(ctx, p.ID, l.hive, sp)
			if err != nil {
				return "", nil, err
			}
			if l.hive != "" && !outyard.Known(first) {
				break // of the outside alone the hive's page has nothing to say
			}
			if !outyard.Known(first) {
				continue
			}
			u := url.Values{"yard": {string(p.ID)}, "quantity": {l.name}, "from": {rfc(sp.From)}, "to": {rfc(sp.To)}, "pixels": {"400"}}
			if l.hive != "" {
				u.Set("hive", string(l.hive))
			}
			texts = append(texts, fmt.Sprintf("%s: %s Pa at first, %s at last.", l.label, number(first, 0), number(last, 0)))
			reads = append(reads, readout{Name: strings.ToLower(l.label), Unit: "Pa", URL: "/api/v1/series?" + u.Encode()})
		}
		if len(texts) == 2 {
			texts = append(texts, "What the inside has more than the outside is the bees’ breath, drying nectar, or water that stands in the hive.")
		}
		if len(texts) > 0 {
			texts = append(texts, vapourWords)
		}
	case "mould":
		last, worst := outyard.Unknown, math.Inf(-1)
		known, r := daily("mould index", "", "mould_index", 2, func(d outyard.Day) float64 { return d.MouldIndex })
		for _, d := range days {
			if outyard.Known(d.MouldIndex) {
				last, worst = d.MouldIndex, max(worst, d.MouldIndex)
			}
		}
		if known > 0 {
			texts = append(texts, fmt.Sprintf("%s at last, %s at most. From 1 mould can begin, from 3 it can be seen. While the probe hangs among brood the index stands still: that air does not come to the wall.", number(last, 1), number(worst, 1)))
			if newest := days[len(days)-1]; outyard.Known(newest.MouldIndex) {
				texts = append(texts, forecastText(newest, now, p.zone()))
			}
			reads = append(reads, r)
		}
	}
	return strings.Join(texts, " "), reads, nil
}

// wallText says how near the wall was to mould and to dew on a day.
func wallText(d outyard.Day, now time.Time, zone *time.Location) string {
	margin := fmt.Sprintf("on the mean it was %s °C warmer than the air’s dew point", number(d.DewMarginK, 1))
	if d.DewMarginK < 0 {
		margin = fmt.Sprintf("on the mean it was %s °C colder than the air’s dew point", number(-d.DewMarginK, 1))
	}
	return fmt.Sprintf("On %s the wall stood at 80 %% or more, where mould may grow, for %s of 24 hours, and took dew for %s; %s.",
		dateText(d.Date, now, zone), number(d.WallWetHours, 0), number(d.DewHours, 0), margin)
}

// forecastText says when the mould index comes to 1 and to 3 if the course of
// the week before d goes on.
func forecastText(d outyard.Day, now time.Time, zone *time.Location) string {
	on := func(days float64) string { return dateText(d.Date.Add(int(days)), now, zone) }
	some, visible := d.DaysToMould, d.DaysToVisible
	switch {
	case some == 0 && visible == 0:
		return ""
	case some == 0 && outyard.Known(visible):
		return "If the last week’s course goes on it comes to 3 on about " + on(visible) + "."
	case some == 0:
		return "If the last week’s course goes on it does not come to 3 within a year."
	case outyard.Known(some) && outyard.Known(visible):
		return "If the last week’s course goes on it comes to 1 on about " + on(some) + ", and to 3 on about " + on(visible) + "."
	case outyard.Known(some):
		return "If the last week’s course goes on it comes to 1 on about " + on(some) + ", and not to 3 within a year."
	}
	return "If the last week’s course goes on it does not come to 1 within a year."
}
