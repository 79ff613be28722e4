package web

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"outyard"
	"outyard/analysis/round"
	"outyard/web/chart"
)

type yardsPage struct {
	Rows       []gainRow
	None       bool
	Standings  []standingRow
	Says, Same []string
	Beside     []picture // small charts on one scale
	Back       []option  // the stretches, by their address
	Sites      []siteRow
	SiteSays   []string

	First, Next string // of thousands of yards, not all fit
}

// yardsPerPage keeps two tables of yards within a page's weight.
const yardsPerPage = 60

// yards compares all yards.
func (s *site) yards(w http.ResponseWriter, r *http.Request) error {
	ctx, now := r.Context(), s.Now()
	newest, err := s.store.Newest(ctx)
	if err != nil {
		return fmt.Errorf("newest readings: %w", err)
	}
	places := s.places(newest)
	sum, err := s.summaries(ctx, places, newest, nil, now)
	if err != nil {
		return err
	}
	var p yardsPage
	for _, pl := range places {
		p.Rows = append(p.Rows, sum[pl.ID].gain)
	}
	p.None = len(p.Rows) == 0
	bars(p.Rows)
	if len(places) > 1 {
		back := stretchOf(r.URL.Query())
		today := outyard.DateOf(now, s.homeZone())
		days, err := s.allDays(ctx, Query{From: today.Add(-back.days).Start(time.UTC), To: today.Start(time.UTC)})
		if err != nil {
			return fmt.Errorf("days to compare yards: %w", err)
		}
		p.Standings, p.Says, p.Same = comparison(places, days)
		p.Beside = s.beside(places, p.Standings, days, back)
		if p.Sites, p.SiteSays, err = s.sites(r, places, back, now); err != nil {
			return err
		}
		for _, st := range stretches {
			p.Back = append(p.Back, option{"/yards?days=" + st.value + "#against", st.text, st == back})
		}
	}
	start, end, first, next := pageOf(len(p.Rows), yardsPerPage, r.URL.Query(), "/yards")
	p.Rows, p.First, p.Next = p.Rows[start:end], first, next
	p.Standings = p.Standings[min(start, len(p.Standings)):min(end, len(p.Standings))]
	return s.show(w, r, http.StatusOK, "yards", frame{Title: "Yards", Here: "yards", Page: p})
}

type yardPage struct {
	Name, ID   string
	Where      string
	Trip       string
	Flow       string
	Configured bool
	Open       []note
	Carry      load
	Older      []note
	OlderURL   string
	Hives      []hiveRow
	Gain       *picture
	Notes      []string  // what was wrong with the address
	Usual      string    // back from a zoomed chart; empty: it is not
	Days       []gainDay // behind the chart
	CSVURL     string
	Entries    []entryRow
	AddURL     string

	First, Next string // of thousands of hives, not all fit
}

// A gainDay is a row of the numbers behind the chart.
type gainDay struct{ Date, Gain string }

// hivesPerPage keeps a yard's page within its weight.
const hivesPerPage = 100

// yardDays is how far back a yard's page looks.
const yardDays = 28

func (s *site) yard(w http.ResponseWriter, r *http.Request) error {
	ctx, now := r.Context(), s.Now()
	id := outyard.YardID(r.PathValue("yard"))
	p, err := s.place(ctx, id, "")
	if err != nil {
		return err
	}
	newest, err := s.newestIn(ctx, p, now)
	if err != nil {
		return err
	}
	sp := lastDays(yardDays, now, p.zone())
	found, err := s.foundIn(ctx, id, "", sp)
	if err != nil {
		return err
	}
	var open, older []outyard.Finding
	for _, f := range found {
		switch {
		case round.Presses(f, now):
			open = append(open, f)
		case !f.Onset.Before(sp.From):
			older = append(older, f)
		}
	}
	slices.SortFunc(open, pressing)
	sum, err := s.summaries(ctx, []place{p}, newest, open, now)
	if err != nil {
		return err
	}
	entries, err := s.entriesIn(ctx, id, "", sp)
	if err != nil {
		return err
	}
	v := yardPage{Name: p.name(), ID: string(id), Flow: sum[id].flow, Configured: p.Configured, Hives: sum[id].hives,
		OlderURL: "/findings?" + url.Values{"yard": {string(id)}}.Encode(),
		AddURL:   "/journal?" + url.Values{"yard": {string(id)}}.Encode() + "#write"}
	start, end, first, next := pageOf(len(v.Hives), hivesPerPage, r.URL.Query(), yardURL(id))
	v.Hives, v.First, v.Next = v.Hives[start:end], first, next
	if p.TripMinutes > 0 {
		v.Trip = fmt.Sprintf("%.0f minutes’ drive", p.TripMinutes)
	}
	v.Open = s.together(open, p, now)
	things, care := round.Carry(p.Yard, notStale(found, now))
	v.Carry.Care = care
	for _, t := range things {
		v.Carry.Things = append(v.Carry.Things, t.String())
	}
	alerts, err := s.alerts(ctx)
	if err != nil {
		return err
	}
	withAlerts(v.Open, alerts, now, p.zone())
	const most = 12
	v.Older = s.lately(older, p, now)
	v.Older = v.Older[:min(len(v.Older), most)]
	for _, e := range slices.Backward(entries) {
		v.Entries = append(v.Entries, entryRowOf(e, p, now))
	}
	view := parseSpan(r.URL.Query(), sp, now) // the chart can be zoomed
	if v.Notes = view.Notes; !view.From.Equal(sp.From) || !view.To.Equal(sp.To) {
		v.Usual = yardURL(id)
	}
	days, err := s.allDays(ctx, view.daysQuery(id, ""))
	if err != nil {
		return fmt.Errorf("days of %s: %w", id, err)
	}
	if v.Gain, err = gainPicture(p, days, view, "Gain of a typical hive by day, "+view.text(now), now); err != nil {
		return err
	}
	for _, d := range slices.Backward(typicalDays(days)) {
		v.Days = append(v.Days, gainDay{d.Date.String(), signed(d.GainKg, 2)})
	}
	v.CSVURL = yardURL(id) + "/daily.csv?" + view.query().Encode()
	return s.show(w, r, http.StatusOK, "yard", frame{Title: v.Name, Here: "yards", Honey: strings.Contains(v.Flow, "flow on"), Page: v})
}

// newestIn are the newest readings of a yard. One whose hives all speak is
// found in its last hours; only a hive that has been silent for days makes the
// store look for the newest of every hive there is.
func (s *site) newestIn(ctx context.Context, p place, now time.Time) ([]outyard.Reading, error) {
	last := map[outyard.HiveID]outyard.Reading{}
	for _, back := range []time.Duration{late, 2 * 24 * time.Hour} {
		err := s.store.EachReading(ctx, Query{Yard: p.ID, From: now.Add(-back)}, func(r outyard.Reading) error {
			last[r.Hive] = r
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("last readings of %s: %w", p.ID, err)
		}
		if !slices.ContainsFunc(p.Hives, func(h outyard.Hive) bool { return last[h.ID].Yard == "" }) {
			return slices.Collect(maps.Values(last)), nil
		}
	}
	all, err := s.store.Newest(ctx)
	if err != nil {
		return nil, fmt.Errorf("newest readings: %w", err)
	}
	return slices.DeleteFunc(all, func(r outyard.Reading) bool { return r.Yard != p.ID }), nil
}

// typicalDays is the median gain of a yard's hives on each day: one that
// swarmed does not speak for the others.
func typicalDays(days []outyard.Day) []outyard.Day {
	byDate := map[outyard.Date][]float64{}
	for _, d := range days {
		if outyard.Known(d.GainKg) {
			byDate[d.Date] = append(byDate[d.Date], d.GainKg)
		}
	}
	out := make([]outyard.Day, 0, len(byDate))
	for date, gains := range byDate {
		out = append(out, outyard.Day{Date: date, GainKg: median(gains)})
	}
	slices.SortFunc(out, func(a, b outyard.Day) int { return a.Date.Sub(b.Date) })
	return out
}

// gainPicture is the chart of a yard's typical hive with its numbers; nil where
// no day is known.
func gainPicture(p place, days []outyard.Day, sp span, caption string, now time.Time) (*picture, error) {
	typical := typicalDays(days)
	if len(typical) == 0 {
		return nil, nil
	}
	read := readout{Name: "gain", Unit: "kg", Decimals: 2, Field: "gain_kg"}
	for _, d := range typical {
		noon := d.Date.Start(sp.zone).Add(12 * time.Hour)
		read.At = append(read.At, [2]float64{float64(noon.Unix()), math.Round(d.GainKg*1000) / 1000})
	}
	js, err := json.Marshal([]readout{read})
	if err != nil {
		return nil, fmt.Errorf("read-out of gain at %s: %w", p.ID, err)
	}
	pic := pictureOf(yardURL(p.ID)+"/chart/gain.svg", sp.query(), "gain", caption, gainWords(typical, now, p.zone()), string(js), sp, 120)
	pic.Zoom = yardURL(p.ID)
	return &pic, nil
}

func (s *site) yardChart(w http.ResponseWriter, r *http.Request) error {
	ctx, now, q := r.Context(), s.Now(), r.URL.Query()
	id := outyard.YardID(r.PathValue("yard"))
	p, err := s.place(ctx, id, "")
	if err != nil {
		return err
	}
	sp := parseSpan(q, lastDays(yardDays, now, p.zone()), now)
	days, err := s.allDays(ctx, sp.daysQuery(id, ""))
	if err != nil {
		return fmt.Errorf("days of %s: %w", id, err)
	}
	width := chartWidth(q)
	c := gainChart(p, days, sp, width)
	if lo, hi, ok := scaleOf(q); ok {
		c.Lowest, c.Highest, c.HeightPx = lo, hi, besideHeightPx
	}
	return writeChart(w, c, width, q)
}

// gainChart is what a yard's typical hive gained.
func gainChart(p place, days []outyard.Day, sp span, width int) chart.Chart {
	c := chart.Chart{Title: "Gain of a typical hive, " + p.name(), From: sp.From, To: sp.To, Zone: sp.zone,
		Lowest: outyard.Unknown, Highest: outyard.Unknown, LeastSpan: 1, HeightPx: 120, Bars: gainBars(typicalDays(days), sp.zone)}
	c.Bars, c.Unit = weekly(c.Bars, sp, width)
	return c
}
