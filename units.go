package outyard

import "math"

// Unknown is the value of what was not measured.
var Unknown = math.NaN()

// Known says whether v was measured: a number, and a finite one.
func Known(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// KgPerPound is exact: the international pound of 1959.
const KgPerPound = 0.45359237

// KgFromPounds converts a weight.
func KgFromPounds(lb float64) float64 { return lb * KgPerPound }

// PoundsFromKg converts a weight.
func PoundsFromKg(kg float64) float64 { return kg / KgPerPound }

// CelsiusFromFahrenheit converts a temperature.
func CelsiusFromFahrenheit(f float64) float64 { return (f - 32) / 1.8 }

// FahrenheitFromCelsius converts a temperature.
func FahrenheitFromCelsius(c float64) float64 { return c*1.8 + 32 }
