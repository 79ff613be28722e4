package web

import (
	"math"
	"net/url"
	"strconv"

	"outyard"
)

// besidePx is the width of a chart among others of its kind: a phone held
// upright has room for one, a table's screen for three in a row.
const besidePx, besideHeightPx = 344, 70

// beside are the yards' gains in small charts on one scale, in the order of
// the ranking, so that the eye can compare what a table cannot show: when.
func (s *site) beside(places []place, ranked []standingRow, days []outyard.Day, back stretch) []picture {
	if len(ranked) < 2 {
		return nil
	}
	byYard := map[outyard.YardID][]outyard.Day{}
	for _, d := range days {
		byYard[d.Yard] = append(byYard[d.Yard], d)
	}
	lo, hi := 0.0, 1.0
	var out []picture
	var queries []url.Values
	for _, row := range ranked[:min(len(ranked), mostCompared)] {
		p := placeOf(places, row.yard)
		typical := typicalDays(byYard[p.ID])
		if len(typical) == 0 {
			continue
		}
		sp := lastDays(back.days, s.Now(), p.zone())
		for _, b := range gainChart(p, typical, sp, besidePx).Bars {
			lo, hi = min(lo, b.Value), max(hi, b.Value)
		}
		words := gainWords(typical, s.Now(), p.zone())
		out = append(out, picture{Name: "gain", Caption: p.name(), Words: words, Alt: "Gain of a typical hive at " + p.name() + ". " + words,
			URL: yardURL(p.ID) + "/chart/gain.svg"})
		queries = append(queries, sp.query())
	}
	for i := range out {
		q := queries[i]
		q.Set("w", strconv.Itoa(besidePx))
		q.Set("lo", strconv.FormatFloat(math.Floor(lo*10)/10, 'f', -1, 64))
		q.Set("hi", strconv.FormatFloat(math.Ceil(hi*10)/10, 'f', -1, 64))
		at := out[i].URL
		out[i].URL = at + "?" + q.Encode()
		q.Set("look", "dark")
		out[i].Sources = []source{{"(prefers-color-scheme: dark)", at + "?" + q.Encode()}}
	}
	return out
}

// scaleOf reads the ends of a common scale in kg; false where none is given.
func scaleOf(q url.Values) (lo, hi float64, ok bool) {
	const most = 1000 // kg in a week: no hive holds more
	if !q.Has("lo") && !q.Has("hi") {
		return 0, 0, false
	}
	lo, err := strconv.ParseFloat(q.Get("lo"), 64)
	hi, err2 := strconv.ParseFloat(q.Get("hi"), 64)
	return lo, hi, err == nil && err2 == nil && lo >= -most && hi <= most && lo <= 0 && hi-lo >= 0.1
}
