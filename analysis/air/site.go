package air

import (
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/robust"
)

// Thresholds by which sites are compared (common practice, no source, but
// where one is named).
const (
	// siteWarmC is from when on bees fly in some number: little foraging goes on
	// below 12 °C, none below 10 (COLOSS standard methods).
	siteWarmC = 10
	// siteHours of a day must be known, or the hours that are missing may all be
	// nights.
	siteHours = 20
	// siteDays is how many days two sites must have in common, and siteAgree
	// the share of them that must say the same: weather differs by chance.
	siteDays, siteAgree = 10, 0.8
)

// An Outside is the air at a yard at one instant; NaN where not known.
type Outside struct {
	Time         time.Time
	TempC, RHPct float64
}

// A SiteDay is one date at one yard. What is not known is NaN.
type SiteDay struct {
	Date     outyard.Date
	WetHours float64 // of 24, with the air outside above 80 %: the mould limit of ISO 13788
	ColdestC float64 // of the hours
	// WarmHour is the local hour at which the air came to 10 °C after a night
	// below it.
	WarmHour  float64
	WallRHPct float64 // middle of the hives' walls
	// WallWetHours is for how many of 24 hours the hives' walls stood above that
	// limit, their middle.
	WallWetHours float64
}

// SiteDays brings a yard's weather, in order of time, and its daily table to
// one row a date.
func SiteDays(zone *time.Location, weather []Outside, days []outyard.Day) []SiteDay {
	if zone == nil {
		zone = time.UTC
	}
	type walls struct{ rhs, wet []float64 }
	of := map[outyard.Date]walls{}
	nestC := DefaultSettings().NestAirC
	for _, d := range days {
		if d.BroodTempC >= nestC {
			continue // air from among brood hardly comes to the wall
		}
		w := of[d.Date]
		of[d.Date] = walls{append(w.rhs, d.WallRHPct), append(w.wet, d.WallWetHours)}
	}
	var out []SiteDay
	for i := 0; i < len(weather); {
		date := outyard.DateOf(weather[i].Time, zone)
		k := i
		for k < len(weather) && outyard.DateOf(weather[k].Time, zone) == date {
			k++
		}
		day := siteDay(zone, weather[i:k])
		day.Date = date
		out = append(out, day)
		i = k
	}
	for i := range out {
		w := of[out[i].Date]
		out[i].WallRHPct, out[i].WallWetHours = robust.Median(w.rhs), robust.Median(w.wet)
		delete(of, out[i].Date)
	}
	for date, w := range of { // of which the weather is not known
		out = append(out, SiteDay{Date: date, WetHours: outyard.Unknown, ColdestC: outyard.Unknown, WarmHour: outyard.Unknown,
			WallRHPct: robust.Median(w.rhs), WallWetHours: robust.Median(w.wet)})
	}
	slices.SortFunc(out, func(a, b SiteDay) int { return a.Date.Sub(b.Date) })
	return out
}

// siteDay is what a date's weather says.
func siteDay(zone *time.Location, weather []Outside) SiteDay {
	var temps, rhs [24][]float64
	for _, w := range weather {
		h := w.Time.In(zone).Hour()
		if knownTemp(w.TempC) {
			temps[h] = append(temps[h], w.TempC)
		}
		if believable(w.RHPct) {
			rhs[h] = append(rhs[h], w.RHPct)
		}
	}
	day := SiteDay{WetHours: outyard.Unknown, ColdestC: outyard.Unknown, WarmHour: outyard.Unknown}
	var t [24]float64
	known, wetKnown, wet := 0, 0, 0
	for h := range 24 {
		t[h] = robust.Median(temps[h])
		if outyard.Known(t[h]) {
			known++
			if !(t[h] >= day.ColdestC) {
				day.ColdestC = t[h]
			}
		}
		if rh := robust.Median(rhs[h]); outyard.Known(rh) {
			wetKnown++
			if rh > MouldLimitRHPct {
				wet++
			}
		}
	}
	if wetKnown >= siteHours {
		day.WetHours = float64(wet) * 24 / float64(wetKnown)
	}
	if known < siteHours {
		day.ColdestC = outyard.Unknown
		return day
	}
	const nightEnds, evening = 3, 17
	if t[nightEnds] < siteWarmC {
		for h := nightEnds + 1; h < evening; h++ {
			if t[h] >= siteWarmC && t[h-1] < siteWarmC {
				// Each hour's value stands for its middle.
				day.WarmHour = float64(h) - 0.5 + (siteWarmC-t[h-1])/(t[h]-t[h-1])
				break
			}
		}
	}
	return day
}

// A Site is what a yard's place is like over some days: the middle of them.
type Site struct {
	Yard outyard.YardID
	Days int // with weather
	SiteDay
	Says []string // how it differs from the other sites, plainly
}

// Sites compares the places of yards, day by day, each with the middle of the
// others: weather that comes to all falls out. Each difference comes with the
// bounds of 19 in 20. Nothing is said of one that fewer than eight days in ten
// show, whose bounds hold nought, or that is too small to matter. Of
// two yards each is the other's measure, and a difference is said once: of the
// one that is damper, colder or later.
func Sites(yards []outyard.YardID, days [][]SiteDay) []Site {
	sites := make([]Site, len(yards))
	others := "the middle of the other yards"
	if len(yards) == 2 {
		others = "the other yard"
	}
	for i, id := range yards {
		s := &sites[i]
		s.Yard = id
		for _, d := range days[i] {
			if outyard.Known(d.ColdestC) {
				s.Days++
			}
		}
		of := func(get func(SiteDay) float64) float64 {
			var x []float64
			for _, d := range days[i] {
				x = append(x, get(d))
			}
			return robust.Median(x)
		}
		s.SiteDay = SiteDay{WetHours: of(wetOf), ColdestC: of(coldestOf), WarmHour: of(warmOf), WallRHPct: of(func(d SiteDay) float64 { return d.WallRHPct }), WallWetHours: of(wallOf)}
		for _, m := range []struct {
			of         func(SiteDay) float64
			least      float64
			more, less string // the hard side of each is said of one of two yards
		}{
			{wetOf, 1.5, "damper: %.0f (%.0f to %.0f) hours a day more above 80 %% humidity", "drier: %.0f (%.0f to %.0f) hours a day less above 80 %% humidity"},
			{coldestOf, 1, "", "colder: its coldest hour is %.1f (%.1f to %.1f) °C colder"},
			{warmOf, 0.5, "later in the warmth: 10 °C comes %.1f (%.1f to %.1f) hours later in the morning", "earlier in the warmth: 10 °C comes %.1f (%.1f to %.1f) hours earlier in the morning"},
			{wallOf, 1.5, "harder on its hives: their walls stand %.0f (%.0f to %.0f) hours a day more where mould can grow", "easier on its hives: their walls stand %.0f (%.0f to %.0f) hours a day less where mould can grow"},
		} {
			diffs := differences(days, i, m.of)
			by, low, high := medianBounds(diffs)
			agree, n := agreeing(diffs, by), len(diffs)
			if n < siteDays || math.Abs(by) < m.least || float64(agree) < siteAgree*float64(n) || !(low*high > 0) {
				continue
			}
			if by < 0 {
				low, high = high, low
			}
			say := m.more
			if by < 0 {
				say = m.less
				if len(yards) == 2 && m.more != "" {
					continue // the other yard's line says it
				}
			}
			if say != "" {
				s.Says = append(s.Says, fmt.Sprintf(say+" than "+others+", on %d of %d days", math.Abs(by), math.Abs(low), math.Abs(high), agree, n))
			}
		}
	}
	return sites
}

func wetOf(d SiteDay) float64     { return d.WetHours }
func coldestOf(d SiteDay) float64 { return d.ColdestC }
func warmOf(d SiteDay) float64    { return d.WarmHour }
func wallOf(d SiteDay) float64    { return d.WallWetHours }

// differences are a site's, day by day, from the middle of the others.
func differences(days [][]SiteDay, i int, of func(SiteDay) float64) []float64 {
	others := map[outyard.Date][]float64{}
	for k := range days {
		if k == i {
			continue
		}
		for _, d := range days[k] {
			if v := of(d); outyard.Known(v) {
				others[d.Date] = append(others[d.Date], v)
			}
		}
	}
	var diffs []float64
	for _, d := range days[i] {
		if v := of(d) - robust.Median(others[d.Date]); outyard.Known(v) {
			diffs = append(diffs, v)
		}
	}
	return diffs
}

// agreeing counts those that go the way of their middle.
func agreeing(diffs []float64, by float64) int {
	n := 0
	for _, d := range diffs {
		if d*by > 0 {
			n++
		}
	}
	return n
}

// dayLikeDay is how many days in a row say the same as one: weather comes in
// spells of some three days (common practice, no source), so that thirty days
// are as good as ten.
const dayLikeDay = 3

// medianBounds is the median, and the order statistics that hold it in 19 of 20
// cases, by the normal approximation of the binomial law, for days that are
// not independent.
func medianBounds(x []float64) (middle, low, high float64) {
	x = slices.Sorted(slices.Values(x))
	n := float64(len(x))
	if n == 0 {
		return outyard.Unknown, outyard.Unknown, outyard.Unknown
	}
	off := 1.96 * math.Sqrt(n*dayLikeDay) / 2
	lo, hi := max(0, int(math.Floor((n-1)/2-off))), min(len(x)-1, int(math.Ceil((n-1)/2+off)))
	return robust.Median(x), x[lo], x[hi]
}
