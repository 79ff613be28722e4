package simulator

import "math"

// An hour of the district's weather.
type skyHour struct {
	tempC, vapourPa, rainMmH, cloud, windMS, sunWM2 float64
}

// Sky is the district's weather, made day by day in solar time. It remembers
// little more than a week.
type sky struct {
	rng       dice
	hours     [24 * 10]skyHour // by solar hour, modulo
	made      int64            // first solar day not made yet
	anomalyK  float64
	wet       bool
	outflow   int // days left of a cold, dry outflow from the continent
	prev      skyDay
	fine      []span
	cloudWalk float64
}

type skyDay struct{ meanC, rangeK, dewC, cloud, windMS float64 }

// A span of unix seconds, the end exclusive.
type span struct{ from, to int64 }

func (s span) has(t int64) bool { return t >= s.from && t < s.to }

const daySec = 24 * 3600

// solarSec is solar time as seconds: noon is when the sun is highest, but for
// the equation of time (a quarter of an hour, which does not matter here).
func solarSec(unix int64) int64 { return unix + int64(longitudeDeg*240) }

func newSky(seed uint64, start int64, fine []span) *sky {
	s := &sky{rng: newDice(seed, "sky"), fine: fine}
	s.made = solarSec(start)/daySec - 2
	s.prev = s.invent(s.made) // the first day needs a yesterday
	return s
}

func dayOfYear(solarDay int64) float64 {
	d := math.Mod(float64(solarDay), 365.2425) // 1970-01-01 was day 0
	return d + 1
}

// invent draws one day. Normals are those of a sheltered coast near 49° north:
// 4 °C in January, 18 °C in July, some 900 mm of rain, most of it from October
// to March (from memory).
func (s *sky) invent(day int64) skyDay {
	doy := dayOfYear(day)
	summer := math.Cos(2 * math.Pi * (doy - 200) / 365.25) // 1 in July, -1 in January
	isFine := false
	for _, f := range s.fine {
		isFine = isFine || f.has(day*daySec+daySec/2-int64(longitudeDeg*240))
	}

	const keep = 0.78 // of yesterday's departure from the normal
	s.anomalyK = keep*s.anomalyK + s.rng.normal(0, (2.3-0.5*summer)*math.Sqrt(1-keep*keep))
	// Wet follows wet: a two-state chain whose long-run share of wet days is p.
	p := 0.37 - 0.25*summer
	const persist = 0.4
	wetNext := p * (1 - persist)
	if s.wet {
		wetNext += persist
	}
	s.wet = s.rng.chance(wetNext)
	if s.outflow > 0 {
		s.outflow--
	} else if summer < -0.7 && s.rng.chance(0.02) {
		s.outflow = 3 + s.rng.IntN(5)
	}
	d := skyDay{meanC: 10.7 + 6.9*math.Cos(2*math.Pi*(doy-204)/365.25) + s.anomalyK}
	amount := s.rng.ExpFloat64()*(6.5-2.2*summer) + 0.4
	gust := math.Exp(s.rng.normal(0, 0.45))
	cloudDraw, dewDraw := s.rng.Float64(), s.rng.Float64()
	if s.outflow > 0 {
		d.meanC -= 6.5
		s.wet = s.wet && s.rng.chance(0.25)
	}
	if isFine {
		s.wet, cloudDraw, gust = false, 0.15*cloudDraw, 0.6
		d.meanC = max(d.meanC, 10.7+6.9*math.Cos(2*math.Pi*(doy-204)/365.25)+2)
	}
	d.windMS = (2.4 - 0.5*summer) * gust
	switch {
	case s.wet:
		d.cloud = 0.72 + 0.28*cloudDraw
		d.windMS *= 1.4
	case summer > 0:
		d.cloud = 0.6 * cloudDraw * cloudDraw
	default:
		d.cloud = 0.15 + 0.75*cloudDraw
	}
	d.rangeK = (7.5 + 3.5*summer) * (1 - 0.65*d.cloud)
	d.dewC = d.meanC - d.rangeK/2 - 0.6 - (1.6+1.2*summer)*dewDraw
	if s.wet {
		d.dewC = d.meanC - 0.6 - 1.8*dewDraw
	}
	if s.outflow > 0 {
		d.dewC -= 4
	}
	s.fill(day, doy, d, amount)
	s.prev = d
	return d
}

// fill writes the day's hours.
func (s *sky) fill(day int64, doy float64, d skyDay, rainMm float64) {
	var rain [24]float64
	if s.wet {
		spells := 1 + s.rng.IntN(3)
		for range spells {
			from, length := s.rng.between(0, 22), s.rng.between(1.5, 9)
			for h := range rain {
				if x := float64(h); x >= math.Floor(from) && x < from+length {
					rain[h] += s.rng.between(0.2, 1)
				}
			}
		}
		total := 0.0
		for _, r := range rain {
			total += r
		}
		for h := range rain {
			rain[h] *= rainMm / total
		}
	}
	lat := latitudeDeg * math.Pi / 180
	decl := -23.44 * math.Pi / 180 * math.Cos(2*math.Pi*(doy+10)/365.25)
	for h := range 24 {
		x := float64(h) / 24
		s.cloudWalk = 0.8*s.cloudWalk + s.rng.normal(0, 0.06)
		cloud := clamp(mix(s.prev.cloud, d.cloud, ramp(float64(h), 0, 8))+s.cloudWalk, 0, 1)
		rangeK := mix(s.prev.rangeK, d.rangeK, ramp(float64(h), 0, 12))
		tempC := mix(s.prev.meanC, d.meanC, x) + rangeK/2*math.Cos(2*math.Pi*(x-15.0/24))
		if rain[h] > 0 {
			cloud, tempC = max(cloud, 0.85), tempC-0.8
		}
		vapour := saturationPa(min(mix(s.prev.dewC, d.dewC, x), tempC-0.1))
		if rain[h] > 0 {
			vapour = max(vapour, s.rng.between(0.9, 0.97)*saturationPa(tempC))
		}
		sinEl := math.Sin(lat)*math.Sin(decl) + math.Cos(lat)*math.Cos(decl)*math.Cos(2*math.Pi*(x-0.5))
		sun := 0.0
		if sinEl > 0 {
			sun = 1050 * math.Pow(sinEl, 1.2) * (1 - 0.78*math.Pow(cloud, 2.5))
		}
		wind := mix(s.prev.windMS, d.windMS, x) * (1 + 0.35*math.Sin(2*math.Pi*(x-9.0/24))) * math.Exp(s.rng.normal(0, 0.15))
		s.hours[(day*24+int64(h))%int64(len(s.hours))] = skyHour{tempC, vapour, rain[h], cloud, wind, sun}
	}
}

// at is the weather at an instant, which must not be more than some days
// behind the latest that was asked for.
func (s *sky) at(unix int64) skyHour {
	sec := solarSec(unix)
	hour := sec / 3600
	for hour/24+1 >= s.made {
		s.invent(s.made)
		s.made++
	}
	f := float64(sec-hour*3600) / 3600
	n := int64(len(s.hours))
	a, b := &s.hours[hour%n], &s.hours[(hour+1)%n]
	return skyHour{
		tempC:    mix(a.tempC, b.tempC, f),
		vapourPa: mix(a.vapourPa, b.vapourPa, f),
		rainMmH:  a.rainMmH,
		cloud:    mix(a.cloud, b.cloud, f),
		windMS:   mix(a.windMS, b.windMS, f),
		sunWM2:   mix(a.sunWM2, b.sunWM2, f),
	}
}

// An outlook is what somebody who knows the day's weather plans by.
type outlook struct {
	rainMm    float64 // 9 to 17 o'clock
	maxC      float64
	meanSun   float64 // W/m2, 9 to 17 o'clock
	maxWindMS float64
}

func (s *sky) outlook(midnight int64) outlook {
	o := outlook{maxC: -99}
	for h := int64(9); h < 17; h++ {
		w := s.at(midnight + h*3600)
		o.rainMm += w.rainMmH
		o.maxC = max(o.maxC, w.tempC)
		o.meanSun += w.sunWM2 / 8
		o.maxWindMS = max(o.maxWindMS, w.windMS)
	}
	return o
}

// dry is weather in which a hive is opened.
func (o outlook) dry() bool { return o.rainMm < 0.3 && o.maxWindMS < 9 }

// fine is weather in which bees swarm: at least 15 °C and sunny (common
// practice, no source).
func (o outlook) fine() bool { return o.dry() && o.maxC >= 15.5 && o.meanSun > 330 }

// saturationPa is the vapour pressure of saturated air over water: Tetens'
// form with Bolton's constants (1980, Mon. Weather Rev. 108:1046), within
// 0.5 % from -30 to 35 °C. It is not the form that the analyses use.
func saturationPa(tempC float64) float64 {
	return 611.2 * math.Exp(17.67*tempC/(tempC+243.5))
}

// A site is how one yard's weather differs from the district's.
type site struct {
	offsetK    float64 // of the mean temperature
	coldPoolK  float64 // further cooling on clear nights
	rainFactor float64
	windFactor float64
	dampPa     float64 // of the vapour pressure
}

func newSite(rng dice) site {
	return site{
		offsetK:    rng.normal(0, 0.5),
		coldPoolK:  rng.between(0, 2),
		rainFactor: math.Exp(rng.normal(0, 0.12)),
		windFactor: rng.between(0.5, 1.3),
		dampPa:     rng.normal(0, 15),
	}
}

func (s site) at(w skyHour) skyHour {
	w.tempC += s.offsetK
	if w.sunWM2 < 20 {
		w.tempC -= s.coldPoolK * (1 - w.cloud) * (1 - w.sunWM2/20)
	}
	w.rainMmH *= s.rainFactor
	w.windMS *= s.windFactor
	w.vapourPa = clamp(w.vapourPa+s.dampPa, 100, 0.995*saturationPa(w.tempC))
	return w
}

func (w skyHour) rhPct() float64 { return 100 * w.vapourPa / saturationPa(w.tempC) }
