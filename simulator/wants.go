package simulator

import (
	"slices"
	"time"

	"outyard"
)

// What a hive is in want of, by its own truth (common practice, no source).
const (
	reserveKg  = 3   // bees do not reach all of their honey
	storesDays = 21  // stores that last no longer are low
	fullFrom   = 0.8 // of the cells: a flow finds no room for its nectar
	aliveKg    = 0.4 // of bees: fewer are no colony
	// Who dies within so many days does not show how long stores last.
	doomedDays = 240
	wantsDays  = 3 // that it must last to be worth a label
	yearDays   = 365
)

// Winter, for which one may feed in autumn, as far as a mild northern coast
// knows one.
var (
	feedFrom  = outyard.Date{Month: time.August, Day: 25}
	feedUntil = outyard.Date{Month: time.October, Day: 31}
	spring    = outyard.Date{Month: time.April, Day: 1}
)

// wants completes the days' truth with what it takes the days to come to know,
// and says when hives wanted stores or room: for that the whole season must be
// known. After a season's end bees use what they did on that day a year before
// or, where that was not in it either, what they used in its last month.
func wants(labels []Label) []Label {
	type place struct {
		yard outyard.YardID
		hive outyard.HiveID
	}
	days := map[place][]int{}
	var order []place
	for i, l := range labels {
		if l.Kind == DayTruth {
			at := place{l.Yard, l.Hive}
			if days[at] == nil {
				order = append(order, at)
			}
			days[at] = append(days[at], i)
		}
	}
	var found []Label
	for _, at := range order {
		of := days[at]
		var later, lasting float64 // what was used in the last month, a day
		for _, i := range of[max(0, len(of)-30):] {
			later, lasting = later+labels[i].UsedKg, lasting+1
		}
		later /= lasting
		// used is what the n days after the k-th take, by running sums.
		sums := make([]float64, len(of)+yearDays+2)
		for k := range sums[1:] {
			kg := later
			switch {
			case k < len(of):
				kg = labels[of[k]].UsedKg
			case k-yearDays >= 0 && k-yearDays < len(of):
				kg = labels[of[k-yearDays]].UsedKg
			}
			sums[k+1] = sums[k] + kg
		}
		used := func(k, n int) float64 { return sums[k+1+n] - sums[k+1] }
		dead := slices.IndexFunc(of, func(i int) bool { return labels[i].BeesKg < aliveKg })
		var stores, room spellOf
		for k, i := range of {
			l := &labels[i]
			if l.Doomed = dead >= 0 && dead-k < doomedDays; l.Doomed {
				continue
			}
			above := l.StoresKg - reserveKg
			n := 0
			for n < yearDays && used(k, n+1) <= above {
				n++
			}
			l.DaysLeft = float64(n)
			low := n < storesDays
			if on := int(l.Date.Month)*100 + l.Date.Day; on >= int(feedFrom.Month)*100+feedFrom.Day && on <= int(feedUntil.Month)*100+feedUntil.Day {
				end := outyard.Date{Year: l.Date.Year + 1, Month: spring.Month, Day: spring.Day}
				l.ShortKg = round(used(k, end.Sub(l.Date))-above, 1000)
				low = low || l.ShortKg > 0
			}
			found = stores.next(found, outyard.StoresLow, *l, low)
			found = room.next(found, outyard.RoomLow, *l, l.FullShare >= fullFrom && gaining(labels, of, k))
		}
		found = stores.next(found, outyard.StoresLow, Label{}, false)
		found = room.next(found, outyard.RoomLow, Label{}, false)
	}
	return found
}

// gaining says that nectar came in over the three days up to the k-th.
func gaining(labels []Label, of []int, k int) bool {
	sum, n := 0.0, 0.0
	for _, i := range of[max(0, k-2) : k+1] {
		sum, n = sum+labels[i].GainKg, n+1
	}
	return sum/n > 0.2
}

// A spellOf is a run of days on which something was so.
type spellOf struct {
	first, last Label
	days        int
}

// next goes on with a run, or ends it and appends its label.
func (s *spellOf) next(found []Label, kind outyard.Kind, day Label, so bool) []Label {
	if so {
		if s.days == 0 {
			s.first = day
		}
		s.last = day
		s.days++
		return found
	}
	if s.days >= wantsDays {
		found = append(found, Label{Kind: kind, Yard: s.first.Yard, Hive: s.first.Hive, Time: s.first.End, End: s.last.End})
	}
	s.days = 0
	return found
}
