package web

import (
	"net/url"
	"slices"
	"strconv"

	"outyard"
	"outyard/analysis/flow"
)

// standingRow is a yard in the ranking.
type standingRow struct {
	Rank                     int
	Name, URL                string
	Gain, Low, High          string // kg a day
	Known                    bool
	Season, PerMinute        string
	Days, Hives              string
	X, W, At                 float64 // of the interval and its middle, in hundredths
	gainKg, lowKg, highKgDay float64

	yard outyard.YardID
}

// A stretch is how far back yards are compared.
type stretch struct {
	value, text string
	days        int
}

var stretches = []stretch{{"28", "4 weeks", 28}, {"92", "3 months", 92}, {"365", "A year", 365}}

// mostCompared bounds the pairs: past it every difference would drown in the
// width that so many comparisons cost.
const mostCompared = 12

// stretchOf is the stretch that was asked for, or the usual one.
func stretchOf(q url.Values) stretch {
	for _, st := range stretches {
		if q.Get("days") == st.value {
			return st
		}
	}
	return stretches[0]
}

// comparison ranks yards by what a hive of theirs gains in a day, with the
// interval that the days allow, and says which differences are real.
func comparison(places []place, days []outyard.Day) (rows []standingRow, says, same []string) {
	yards, names := make([]outyard.Yard, len(places)), map[outyard.YardID]string{}
	for i, p := range places {
		yards[i], names[p.ID] = p.Yard, p.name()
		yards[i].Name = p.name()
	}
	standings := flow.Standings(yards, days)
	lo, hi := 0.0, 0.0
	for i, st := range standings {
		row := standingRow{yard: st.Yard, Rank: i + 1, Name: names[st.Yard], URL: yardURL(st.Yard), Known: outyard.Known(st.KgPerDay), gainKg: st.KgPerDay, lowKg: st.Low, highKgDay: st.High,
			Gain: signed(st.KgPerDay, 2), Low: signed(st.Low, 2), High: signed(st.High, 2), Season: signed(st.SeasonKg, 1), PerMinute: number(st.KgPerTripMinute*1000, 0),
			Days: strconv.Itoa(st.Days), Hives: count(st.Hives, "hive", "hives")}
		if row.Known && outyard.Known(st.Low) && outyard.Known(st.High) {
			lo, hi = min(lo, st.Low), max(hi, st.High)
		}
		rows = append(rows, row)
	}
	for i := range rows {
		row := &rows[i]
		if width := hi - lo; width > 0 && row.Known && outyard.Known(row.lowKg) && outyard.Known(row.highKgDay) {
			row.X, row.W, row.At = (row.lowKg-lo)/width*100, max((row.highKgDay-row.lowKg)/width*100, 0.6), (row.gainKg-lo)/width*100
		}
	}
	var known []outyard.Yard
	for _, st := range standings[:min(len(standings), mostCompared)] {
		if i := slices.IndexFunc(yards, func(y outyard.Yard) bool { return y.ID == st.Yard }); st.Days > 0 {
			known = append(known, yards[i])
		}
	}
	for _, d := range flow.Differences(known, days) {
		if d.Real {
			says = append(says, d.Summary)
		} else {
			same = append(same, d.Summary)
		}
	}
	return rows, says, same
}
