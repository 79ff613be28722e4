// Package sun says where the sun stands: bees fly by daylight, keepers work
// by it, and what happens in the dark is neither.
package sun

import (
	"math"
	"time"
)

// position returns the sun's declination in radians and the equation of time
// in minutes, after the Fourier series of Spencer (1971) as printed in the
// NOAA solar calculation notes. Leap years shift it by up to 0.6° and a minute
// in spring, far finer than a bee's day.
func position(t time.Time) (declination, equationMin float64) {
	t = t.UTC()
	hours := float64(t.Hour()) + float64(t.Minute())/60
	g := 2 * math.Pi / 365 * (float64(t.YearDay()-1) + (hours-12)/24)
	declination = 0.006918 - 0.399912*math.Cos(g) + 0.070257*math.Sin(g) -
		0.006758*math.Cos(2*g) + 0.000907*math.Sin(2*g) - 0.002697*math.Cos(3*g) + 0.00148*math.Sin(3*g)
	equationMin = 229.18 * (0.000075 + 0.001868*math.Cos(g) - 0.032077*math.Sin(g) -
		0.014615*math.Cos(2*g) - 0.040849*math.Sin(2*g))
	return declination, equationMin
}

// SolarHour is the true solar time at a longitude in degrees east, 0 to 24:
// at 12 the sun is highest.
func SolarHour(longitude float64, t time.Time) float64 {
	_, eq := position(t)
	t = t.UTC()
	h := float64(t.Hour()) + float64(t.Minute())/60 + float64(t.Second())/3600 + longitude/15 + eq/60
	return math.Mod(math.Mod(h, 24)+24, 24)
}

// ElevationDeg is the height of the sun's centre above the horizon in
// degrees, negative by night, without refraction.
func ElevationDeg(latitude, longitude float64, t time.Time) float64 {
	dec, _ := position(t)
	lat := latitude * math.Pi / 180
	hourAngle := (SolarHour(longitude, t) - 12) * math.Pi / 12
	s := math.Sin(lat)*math.Sin(dec) + math.Cos(lat)*math.Cos(dec)*math.Cos(hourAngle)
	return math.Asin(min(1, max(-1, s))) * 180 / math.Pi
}

// NoonDeg is the height of the sun's centre above the horizon at noon of the
// day of an instant, in degrees, without refraction; negative in polar night.
func NoonDeg(latitude float64, t time.Time) float64 {
	declination, _ := position(t)
	return 90 - math.Abs(latitude-declination*180/math.Pi)
}
