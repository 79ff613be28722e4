package analysis

import (
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/steps"
)

const (
	// handsNeed is how long it takes to carry a hive off or to knock it over, at
	// least: what befalls more of them in less time is no hands' work (common
	// practice, no source).
	handsNeed = 5 * time.Minute
	// fewScales is of how many scales it is worth asking.
	fewScales = 3
	// nothingShare is what is left, of the weight before, on a scale that shows
	// nothing.
	nothingShare = 0.1
)

// nothing says whether a departure went to nothing (-1) or came back from it (1);
// 0 when neither.
func (e *event) nothing(set steps.Settings) int {
	switch {
	case math.Abs(e.NetKg()) < set.OverturnedKg:
	case e.AfterKg < nothingShare*e.BaseKg:
		return -1
	case e.BaseKg < nothingShare*e.AfterKg:
		return 1
	}
	return 0
}

// allAtOnce says that every scale of the yard went to nothing with this one, or
// came back from it, between the same readings: power or a cable, rather than
// all hives gone. Of few scales, or of readings far apart, it cannot be told
// from a thief.
func (c *Course) allAtOnce(h *hive, e *event) bool {
	way := e.nothing(c.set.Steps)
	if way == 0 {
		return false
	}
	together := 1
	for _, other := range c.order {
		if other == h || e.Before.Sub(other.newest) > 2*e.Cadence {
			continue // silent before
		}
		if !slices.ContainsFunc(other.recent(e.Before), func(o *event) bool {
			return o.nothing(c.set.Steps) == way && o.Before.Before(e.Start) && e.Before.Before(o.Start)
		}) {
			return false
		}
		together++
	}
	return together >= fewScales && time.Duration(together)*handsNeed >= e.Cadence
}

// asOne makes one finding of the yard of what befell all its scales at once.
func (c *Course) asOne(all []outyard.Finding) []outyard.Finding {
	var yard []outyard.Finding
	all = slices.DeleteFunc(all, func(f outyard.Finding) bool {
		if f.Facts["fault"] != steps.NoWeight {
			return false
		}
		i := slices.IndexFunc(yard, func(y outyard.Finding) bool { return f.Onset.Sub(y.Onset).Abs() < neighbourhood })
		if i < 0 {
			yard = append(yard, f)
			i = len(yard) - 1
			yard[i].Hive, yard[i].Facts = "", map[string]any{"quantity": f.Facts["quantity"], "fault": steps.NoWeight, "hives": 0.0, "reasons": f.Facts["reasons"]}
		}
		y := &yard[i]
		y.Facts["hives"] = y.Facts["hives"].(float64) + 1
		if f.Onset.Before(y.Onset) {
			y.Onset = f.Onset
		}
		switch {
		case f.State == outyard.Open:
			y.State, y.End = outyard.Open, time.Time{}
		case y.State == outyard.Over && f.End.After(y.End):
			y.End = f.End
		}
		return true
	})
	for i := range yard {
		c.sayUnweighed(&yard[i])
	}
	return append(all, yard...)
}

func (c *Course) sayUnweighed(f *outyard.Finding) {
	at := f.Onset.In(c.yard.Zone).Format("2 January 15:04")
	f.Summary = fmt.Sprintf("All %.0f scales of the yard show nothing since %s, when they fell in the same minutes: power or a cable, more likely than every hive gone.", f.Fact("hives"), at)
	if f.State == outyard.Over {
		f.Severity = outyard.Soon
		f.Summary = fmt.Sprintf("All %.0f scales of the yard showed nothing from %s to %s: power or a cable, for they fell in the same minutes.", f.Fact("hives"), at, f.End.In(c.yard.Zone).Format("2 January 15:04"))
	}
	f.Advice = []string{
		"Telephone anybody near the yard first and ask whether the hives stand.",
		"Look at what all scales share: supply, fuse, gateway, the cable between them, and whether water came in.",
	}
	f.Caution = []string{
		"What hangs on the mains is an electrician's.",
		"Should hives be down or gone: veil, gloves and boots on, keep others away, and leave thieves to the police.",
	}
}
