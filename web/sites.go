package web

import (
	"fmt"
	"net/http"
	"time"

	"outyard"
	"outyard/analysis/air"
)

// siteRow is what the place of a yard is like.
type siteRow struct {
	Name, URL, Days            string
	WetHours, Coldest, WallWet string
	WallsKnown                 bool
	WarmAt                     string // empty: not known, or no such night
}

// sites compares the places of yards over a stretch: damp, cold, late in the
// sun; and says plainly how they differ.
func (s *site) sites(r *http.Request, places []place, back stretch, now time.Time) (rows []siteRow, says []string, err error) {
	ctx := r.Context()
	places = places[:min(len(places), mostCompared)]
	ids, days := make([]outyard.YardID, len(places)), make([][]air.SiteDay, len(places))
	for i, p := range places {
		today := outyard.DateOf(now, p.zone())
		// A season of weather is much to read: four weeks say what a place is like.
		from := today.Add(-min(back.days, siteStretch))
		var weather []air.Outside
		err := s.store.EachReading(ctx, Query{Yard: p.ID, Weather: true, From: from.Start(p.zone()), To: today.Start(p.zone())}, func(rd outyard.Reading) error {
			weather = append(weather, air.Outside{Time: rd.Time, TempC: rd.Values[outyard.OutsideTemp], RHPct: rd.Values[outyard.OutsideRH]})
			return nil
		})
		if err != nil {
			return nil, nil, fmt.Errorf("weather of %s: %w", p.ID, err)
		}
		table, err := s.allDays(ctx, Query{Yard: p.ID, From: from.Start(time.UTC), To: today.Start(time.UTC)})
		if err != nil {
			return nil, nil, fmt.Errorf("days of %s: %w", p.ID, err)
		}
		ids[i], days[i] = p.ID, air.SiteDays(p.zone(), weather, table)
	}
	told := false
	for i, st := range air.Sites(ids, days) {
		told = told || st.Days > 0
		row := siteRow{Name: places[i].name(), URL: yardURL(st.Yard), Days: count(st.Days, "day", "days"),
			WetHours: number(st.WetHours, 0), Coldest: number(st.ColdestC, 1), WallWet: number(st.WallWetHours, 0), WallsKnown: outyard.Known(st.WallWetHours)}
		for _, say := range st.Says {
			says = append(says, row.Name+" is "+say+".")
		}
		if outyard.Known(st.WarmHour) {
			m := int(st.WarmHour*60 + 0.5)
			row.WarmAt = fmt.Sprintf("%d:%02d", m/60, m%60)
		}
		rows = append(rows, row)
	}
	if !told {
		return nil, nil, nil // no yard has a weather node: there is nothing to compare
	}
	return rows, says, nil
}

const siteStretch = 28
