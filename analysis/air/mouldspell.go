package air

import (
	"outyard"
	"outyard/analysis/robust"
)

// A mouldSpell is a time in which a hive's wall let mould grow and had let it
// grow for long.
type mouldSpell struct {
	onset  outyard.Date // index at MouldSome and growing
	end    outyard.Date
	over   bool
	idle   int     // days in a row without growth
	peak   float64 // greatest index
	apart  float64 // from the middle of the yard's others, the most once visible; NaN without any
	latest Day     // the last day of growth
	course Course  // of its last week, by the day
	// gapHours is for how many hours, since the wall was last clean, the index
	// stood still because nothing was known.
	gapHours int
}

func (s *subject) openMould() *mouldSpell {
	if n := len(s.mould); n > 0 && !s.mould[n-1].over {
		return s.mould[n-1]
	}
	return nil
}

// followMould carries the hive's mould spell on by a day.
func (j *Judge) followMould(s *subject) {
	today := s.back(0)
	if s.gapHours += today.GapHours; today.MouldIndex == 0 {
		s.gapHours = 0
	}
	if !outyard.Known(today.MouldIndex) || !today.outsideKnown(j.set) {
		return
	}
	grew := !(today.MouldIndex <= s.lastMould)
	s.lastMould = today.MouldIndex
	m := s.openMould()
	if m == nil {
		if !grew || today.MouldIndex < MouldSome {
			return
		}
		m = &mouldSpell{onset: j.date}
		s.mould = append(s.mould, m)
	}
	if !grew {
		m.idle++
		if m.idle >= j.set.MouldIdleDays {
			m.over, m.end = true, j.date.Add(1-m.idle)
		}
		return
	}
	m.idle, m.gapHours = 0, s.gapHours
	m.latest = *today
	m.peak = max(m.peak, today.MouldIndex)
	m.course = j.meanCourse(s)
	if apart := today.MouldIndex - j.othersMould(s); m.peak < MouldVisible || !(apart <= m.apart) {
		m.apart = apart
	}
}

// othersMould is the middle index of the yard's other hives; NaN without any.
func (j *Judge) othersMould(s *subject) float64 {
	var x []float64
	for _, o := range j.order {
		if o != s {
			x = append(x, o.back(0).MouldIndex)
		}
	}
	return robust.Median(x)
}

// matters says that the index is where the eye sees it, and that it is this
// hive's matter and not that of the whole yard's winter.
func (m *mouldSpell) matters(set Settings) bool {
	return m.peak >= MouldVisible && !(m.apart < set.MouldApart)
}

// MouldIn is in how many days a hive's wall comes to the index at which mould can
// begin, and to that at which the eye sees it, if the last week's course goes on:
// 0 when it is there, NaN when it does not come within a year or is not known.
func (j *Judge) MouldIn(hive outyard.HiveID) (some, visible float64) {
	for _, s := range j.order {
		if s.hive == hive && outyard.Known(s.back(0).MouldIndex) {
			m, c := Mould{Index: s.back(0).MouldIndex, class: j.set.Mould, fading: j.set.MouldFading}, j.meanCourse(s)
			return m.DaysTo(MouldSome, c), m.DaysTo(MouldVisible, c)
		}
	}
	return outyard.Unknown, outyard.Unknown
}

// meanCourse is how the last week pushed the index, by the day.
func (j *Judge) meanCourse(s *subject) Course {
	var c Course
	n := 0.0
	for k := range 7 {
		d := s.back(k)
		if !outyard.Known(d.Course.Growth) {
			continue
		}
		n++
		c.Growth += d.Course.Growth
		c.Decline += d.Course.Decline
		c.Greatest += d.Course.Growth * d.Course.Greatest
	}
	if n == 0 {
		return Course{Growth: outyard.Unknown}
	}
	if c.Growth > 0 {
		c.Greatest /= c.Growth
	}
	c.Growth /= n
	c.Decline /= n
	return c
}
