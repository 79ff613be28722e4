package air

import (
	"cmp"
	"slices"
	"time"

	"outyard"
)

// A HiveDay is one hive's day.
type HiveDay struct {
	Hive outyard.HiveID
	Day  Day
}

// A Judge follows the hives of one yard day by day and says which are damp. It
// depends on nothing but the sequence of days. What a hive gained ([Day.GainKg])
// is the caller's to fill in: nectar that dries is no dampness. Where it is not
// known none is taken to dry.
type Judge struct {
	yard  outyard.YardID
	zone  *time.Location
	names map[outyard.HiveID]string
	set   Settings

	date  outyard.Date
	began bool
	order []*subject // by id
	// mostGain is the middle gain of the yard's hives on the last days.
	mostGain []float64
}

// A subject is a hive under judgement.
type subject struct {
	hive     outyard.HiveID
	days     []Day   // one for each of the last dates, the newest last
	now      bool    // known in the recent days
	earlier  int     // days known before them
	insideC  float64 // in the recent days
	course   course
	sum      float64 // Page's, of the log odds of the last days
	episodes []*episode

	mould     []*mouldSpell
	lastMould float64 // the index as last known
	gapHours  int     // since the wall was last clean, in which nothing was known of it
}

// NewJudge begins with hives that nothing is known of.
func NewJudge(yard outyard.Yard, set Settings) *Judge {
	zone := yard.Zone
	if zone == nil {
		zone = time.UTC
	}
	names := map[outyard.HiveID]string{}
	for _, h := range yard.Hives {
		names[h.ID] = h.Name
	}
	return &Judge{yard: yard.ID, zone: zone, names: names, set: set}
}

// Day takes one date's days of the yard's hives, in any order. Hives may be
// left out where nothing is known of them. Dates rise; one that does not is
// ignored.
func (j *Judge) Day(date outyard.Date, hives []HiveDay) {
	if j.began && !j.date.Before(date) {
		return
	}
	missed := 0
	if j.began {
		missed = min(date.Sub(j.date)-1, j.set.WindowDays)
	}
	j.began, j.date = true, date
	for _, s := range j.order {
		for i := missed; i > 0; i-- {
			s.push(unknownDay(date.Add(-i)), j.set.WindowDays)
		}
		s.push(unknownDay(date), j.set.WindowDays)
	}
	for _, h := range hives {
		s := j.subject(h.Hive)
		s.days[len(s.days)-1] = h.Day // a hive seen first today gets its place here
		s.days[len(s.days)-1].Date = date
	}
	seen := make([]evidence, len(j.order))
	for i, s := range j.order {
		seen[i] = j.look(s)
		s.now, s.insideC = seen[i].known(), seen[i].insideC
		s.earlier = j.countKnown(s, j.set.LagDays, j.set.WindowDays, (*Day).known)
	}
	for i, s := range j.order {
		if s.now {
			j.measure(s, &seen[i])
		}
	}
	for range missed {
		j.mostGain = append(j.mostGain, outyard.Unknown)
	}
	j.mostGain = append(last(j.mostGain, j.set.DryingDays-1), j.middleGain())
	for i, s := range j.order {
		if s.now {
			j.weigh(s, &seen[i])
		}
	}
	for i, s := range j.order {
		j.follow(s, seen[i])
		j.followMould(s)
	}
}

func (j *Judge) subject(id outyard.HiveID) *subject {
	at, ok := slices.BinarySearchFunc(j.order, id, func(s *subject, id outyard.HiveID) int { return cmp.Compare(s.hive, id) })
	if !ok {
		s := &subject{hive: id, lastMould: outyard.Unknown}
		s.push(unknownDay(j.date), j.set.WindowDays)
		j.order = slices.Insert(j.order, at, s)
	}
	return j.order[at]
}

func (s *subject) push(d Day, window int) {
	if len(s.days) >= 2*window { // moved in bulk, so that a day costs little
		s.days = s.days[:copy(s.days, s.days[len(s.days)-window+1:])]
		s.course.forget(window - 1)
	}
	s.days = append(s.days, d)
}

// back is the day so many days ago, unknown where there is none.
func (s *subject) back(n int) *Day {
	if i := len(s.days) - 1 - n; i >= 0 {
		return &s.days[i]
	}
	return &noDay
}

var noDay = unknownDay(outyard.Date{})
