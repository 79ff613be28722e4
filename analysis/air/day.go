package air

import (
	"math"
	"slices"
	"time"

	"outyard"
)

// An Hour is the mean climate of one hour in a hive and outside it. What is
// not known is NaN.
type Hour struct {
	Start        time.Time
	InsideTempC  float64
	InsideRHPct  float64
	OutsideTempC float64
	OutsideRHPct float64
}

// A Day is the climate of one hive over one local date. What is not known is
// NaN; hours are counts.
type Day struct {
	Date outyard.Date
	// Hours is how many had a believable temperature and humidity inside.
	Hours int
	// OutsideHours is how many of them had a believable temperature outside
	// too: only those say anything of the wall.
	OutsideHours int

	InsideTempC float64 // mean
	InsideRHPct float64 // mean
	InsidePa    float64 // median vapour pressure
	// ExcessPa is the median of the vapour pressure inside over outside: the
	// water that bees and wet wood give to the air. It hardly depends on
	// where the probe sits, for vapour spreads where warmth does not.
	ExcessPa     float64
	OutsideRHPct float64 // mean

	WallTempC float64 // mean
	WallRHPct float64 // mean, each hour at most 100
	// Wetness is the mean of ln(vapour pressure inside / saturation at the
	// wall): 0 where dew begins. Unlike WallRHPct it goes on rising beyond.
	Wetness           float64
	WetHours          int // wall at or above Settings.WetRHPct
	CondensationHours int // dew or frost on the wall
	// GapHours is for how many hours, of this date and of those before it that
	// nothing came from, the mould index stood still because nothing was known.
	GapHours int

	GainKg float64 // what the hive gained over the day; see [Judge]

	MouldIndex float64 // at the end of the day; NaN where nothing is known of its wall
	Course     Course  // what the day did to the index
}

// known says that there are hours enough to judge the air inside by.
func (d *Day) known(set Settings) bool { return d.Hours >= set.LeastHours }

// outsideKnown says that there are hours enough to judge the wall by.
func (d *Day) outsideKnown(set Settings) bool {
	return d.OutsideHours >= set.LeastHours && outyard.Known(d.ExcessPa)
}

// Days folds one hive's hours into days.
type Days struct {
	set  Settings
	zone *time.Location
	wall Wall

	mould   Mould // at the end of the last finished day
	started bool  // anything was ever known of the wall
	last    time.Time

	open   bool
	date   outyard.Date
	dayEnd time.Time
	hours  []climate // of the open day
	gone   int       // hours before the open day that no reading came for
	gap    int       // those of them that lie before the open day
}

// A climate is an hour that was believed inside; outside it may be NaN.
type climate struct {
	insideC, insideRHPct, insidePa float64
	excessPa                       float64
	surfaceC, outsideRHPct         float64
}

// NewDays starts a hive with a clean wall, its dates those of zone.
func NewDays(zone *time.Location, set Settings) *Days {
	if zone == nil {
		zone = time.UTC
	}
	return &Days{set: set, zone: zone, wall: NewWall(Sideways, Softwood(set.WallM)), mould: NewMould(set.Mould, set.MouldFading)}
}

// Hour takes the next hour, and returns the day before once the hour begins a
// new one. An hour that is not later than the last is ignored.
func (d *Days) Hour(h Hour) (Day, bool) {
	if !d.last.IsZero() && !h.Start.After(d.last) {
		return Day{}, false
	}
	done, ok := Day{}, false
	if d.open && !h.Start.Before(d.dayEnd) {
		done, ok = d.Finish()
	}
	if !d.last.IsZero() {
		d.gone += max(0, int(h.Start.Sub(d.last)/time.Hour)-1)
	}
	d.last = h.Start
	if !d.open {
		d.open, d.date = true, outyard.DateOf(h.Start, d.zone)
		d.dayEnd = d.date.Add(1).Start(d.zone)
		d.hours = d.hours[:0]
		d.mould.UnknownHours += d.gone
		d.gap, d.gone = d.gone, 0
	}
	if c, ok := d.believe(h); ok {
		d.hours = append(d.hours, c)
		d.started = d.started || outyard.Known(c.surfaceC)
	} else {
		d.gone++
	}
	return done, ok
}

// Finish ends the open day, if there is one, as no hour of it is to come.
func (d *Days) Finish() (Day, bool) {
	if !d.open {
		return Day{}, false
	}
	var day Day
	day, d.mould = d.summary()
	d.open = false
	return day, true
}

// SoFar returns the open day as it stands, without ending it.
func (d *Days) SoFar() (Day, bool) {
	if !d.open {
		return Day{}, false
	}
	day, _ := d.summary()
	return day, true
}

// DewMarginK is the mean, over the hours of the open day of which it is known, of
// how much warmer the wall's inner surface is than the dew point of the air
// inside: the margin against dew, nought or less where it forms.
func (d *Days) DewMarginK() float64 {
	sum, n := 0.0, 0.0
	if d.open && !d.stuck() {
		for _, c := range d.hours {
			if outyard.Known(c.surfaceC) {
				sum, n = sum+c.surfaceC-DewPointOfPa(c.insidePa), n+1
			}
		}
	}
	if n == 0 {
		return outyard.Unknown
	}
	return sum / n
}

// Of24 is a count of the day's hours at the wall as of a whole day; NaN where
// too few are known.
func (d *Day) Of24(hours int, set Settings) float64 {
	if d.OutsideHours < set.LeastHours {
		return outyard.Unknown
	}
	return 24 * float64(hours) / float64(d.OutsideHours)
}

// Mould returns the wall's surface as it was when the last day ended.
func (d *Days) Mould() Mould { return d.mould }

// believe takes the hour for true as far as it can be.
func (d *Days) believe(h Hour) (climate, bool) {
	if !(h.InsideTempC <= d.set.HottestInsideC) || !knownTemp(h.InsideTempC) || !believable(h.InsideRHPct) {
		return climate{}, false
	}
	c := climate{insideC: h.InsideTempC, insideRHPct: ClampRHPct(h.InsideRHPct), insidePa: VapourPa(h.InsideTempC, h.InsideRHPct),
		excessPa: outyard.Unknown, outsideRHPct: outyard.Unknown, surfaceC: d.wall.SurfaceC(h.InsideTempC, h.OutsideTempC)}
	if believable(h.OutsideRHPct) {
		c.outsideRHPct = ClampRHPct(h.OutsideRHPct)
		c.excessPa = c.insidePa - VapourPa(h.OutsideTempC, h.OutsideRHPct)
	}
	if c.excessPa > d.set.MostExcessPa {
		return climate{}, false
	}
	if c.excessPa < d.set.LeastExcessPa {
		c.excessPa, c.surfaceC = outyard.Unknown, outyard.Unknown
	}
	return c, true
}

// believable says whether a humidity was measured: a capacitive sensor that
// gives 1 % or less in a hive or outdoors is broken or unplugged (common
// practice, no source), and so is one above 105 %.
func believable(rhPct float64) bool { return rhPct > 1 && rhPct <= 105 }

// summary returns the open day and the surface at its end.
func (d *Days) summary() (Day, Mould) {
	day := unknownDay(d.date)
	day.GapHours = d.gap
	mould := d.mould
	if d.stuck() {
		mould.UnknownHours += len(d.hours)
		day.GapHours += len(d.hours)
	} else {
		d.inside(&day)
		d.surface(&day, &mould)
	}
	if d.started && day.OutsideHours > 0 {
		day.MouldIndex = mould.Index
	}
	return day, mould
}

func (d *Days) inside(day *Day) {
	pa, excess := make([]float64, 0, 24), make([]float64, 0, 24)
	var temp, rh, outside float64
	for _, c := range d.hours {
		temp += c.insideC
		rh += c.insideRHPct
		pa = append(pa, c.insidePa)
		if outyard.Known(c.excessPa) {
			excess = append(excess, c.excessPa)
			outside += c.outsideRHPct
		}
	}
	day.Hours = len(d.hours)
	if n := float64(day.Hours); n > 0 {
		day.InsideTempC, day.InsideRHPct, day.InsidePa = temp/n, rh/n, middle(pa)
	}
	if len(excess) > 0 {
		day.ExcessPa, day.OutsideRHPct = middle(excess), outside/float64(len(excess))
	}
}

// surface passes the day's hours over the wall.
func (d *Days) surface(day *Day, mould *Mould) {
	var temp, rhs, wetness, growth, greatest, decline, judged float64
	for _, c := range d.hours {
		if !outyard.Known(c.surfaceC) {
			mould.UnknownHours++
			day.GapHours++
			continue
		}
		day.OutsideHours++
		ratio := c.insidePa / SaturationPa(c.surfaceC)
		rh := min(100*ratio, 100)
		temp += c.surfaceC
		rhs += rh
		wetness += math.Log(ratio)
		if rh >= d.set.WetRHPct {
			day.WetHours++
		}
		if wets(c.insidePa, c.surfaceC) {
			day.CondensationHours++
		}
		if c.insideC >= d.set.NestAirC {
			mould.UnknownHours++
			continue
		}
		judged++
		before := mould.Index
		mould.Hour(c.surfaceC, rh)
		if d.set.Mould.grows(c.surfaceC, rh) {
			g := 1 / (hoursAWeek * WeeksToSome(c.surfaceC, rh))
			growth += g
			greatest += g * d.set.Mould.GreatestIndex(c.surfaceC, rh)
		} else {
			decline += before - mould.Index
		}
	}
	if day.OutsideHours == 0 {
		return
	}
	n := float64(day.OutsideHours)
	day.WallTempC, day.WallRHPct, day.Wetness = temp/n, rhs/n, wetness/n
	if judged == 0 {
		return
	}
	whole := 24 / judged // a day known in part goes on as if it were whole
	day.Course = Course{Growth: growth * whole, Decline: decline * whole}
	if growth > 0 {
		day.Course.Greatest = greatest / growth
	}
}

// stuck says that the probe gave one figure all day and so measured nothing:
// both figures, or a temperature that is not a brood nest's (which a coarse
// sensor shows as one figure), or a humidity that is not saturation.
func (d *Days) stuck() bool {
	if len(d.hours) < max(d.set.LeastHours, 2) {
		return false
	}
	var sameC, sameRH = true, true
	first := d.hours[0]
	for _, c := range d.hours[1:] {
		sameC = sameC && c.insideC == first.insideC
		sameRH = sameRH && c.insideRHPct == first.insideRHPct
	}
	brood := first.insideC >= 32 && first.insideC <= 37
	return sameC && sameRH || sameC && !brood || sameRH && first.insideRHPct < d.set.SaturatedRHPct
}

// unknownDay is a day of which nothing is known.
func unknownDay(date outyard.Date) Day {
	unknown := outyard.Unknown
	return Day{Date: date, InsideTempC: unknown, InsideRHPct: unknown, InsidePa: unknown, ExcessPa: unknown, OutsideRHPct: unknown,
		WallTempC: unknown, WallRHPct: unknown, Wetness: unknown, GainKg: unknown, MouldIndex: unknown, Course: Course{Growth: unknown}}
}

// middle is the median; it reorders x.
func middle(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	return (x[(n-1)/2] + x[n/2]) / 2
}
