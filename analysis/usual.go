package analysis

import (
	"time"

	"outyard"
	"outyard/analysis/flow"
	"outyard/analysis/robust"
)

// usualDays is how many dates are remembered: a node that was silent for longer
// says nothing of its colony's course.
const usualDays = 60

// A usualDay is what the yard's hives gained on a date by themselves.
type usualDay struct {
	from, to time.Time
	kg       float64 // their median
}

// usual are those of the last dates, by date.
type usual []usualDay

func (u usual) add(from, to time.Time, gains []flow.HiveDay) usual {
	var kg []float64
	for _, g := range gains {
		if outyard.Known(g.GainKg) {
			kg = append(kg, g.GainKg)
		}
	}
	if len(kg) == 0 {
		return u
	}
	if len(u) >= usualDays {
		u = append(u[:0], u[1:]...)
	}
	return append(u, usualDay{from, to, robust.Median(kg)})
}

// between is what a hive of the yard gained between two instants, were it as
// the others; NaN where they do not tell of the whole while. The last date is not
// counted yet, and is taken to be as the one before.
func (u usual) between(from, to time.Time) float64 {
	if len(u) == 0 || from.Before(u[0].from) || to.Sub(u[len(u)-1].to) > 36*time.Hour {
		return outyard.Unknown
	}
	sum, at := 0.0, from
	for _, d := range u {
		if !d.to.After(at) {
			continue
		}
		if d.from.After(at) {
			return outyard.Unknown // a date of which nothing is known
		}
		end := d.to
		if to.Before(end) {
			end = to
		}
		sum += d.kg * end.Sub(at).Hours() / d.to.Sub(d.from).Hours()
		at = end
	}
	return sum + u[len(u)-1].kg*max(0, to.Sub(at).Hours())/24
}
