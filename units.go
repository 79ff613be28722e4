package outyard

import (
	"math"
	"regexp"
	"strconv"
	"strings"
)

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

// Units are those that a keeper reads weights and temperatures in; the zero
// value is kilograms and degrees Celsius.
type Units struct{ Pounds, Fahrenheit bool }

const numberInText = `([+−-]?\d+(?:\.\d+)?)`

var (
	// "4 to 6 kg", "20 of 38 kg", "0.3 kg a day (0.2 to 0.4)", "2.4 kg".
	kgInText = regexp.MustCompile(`(?:` + numberInText + `( to | of | and |–))?` + numberInText + ` kg( a day)?\b(?: \(` + numberInText + ` to ` + numberInText + `\b)?`)
	// "by 1.2 °C" and "5 °C colder" are differences, "34 to 36 °C" and "8 °C" are not.
	// "3.0 K colder", "2.5 (1.8 to 3.1) K": always a difference.
	kelvinInText  = regexp.MustCompile(numberInText + `(?: \(` + numberInText + ` to ` + numberInText + `\))? K\b`)
	celsiusInText = regexp.MustCompile(`(by (?:some |about )?)?(?:` + numberInText + `( to | and |–))?` + numberInText + ` °C( colder| warmer| more| less)?`)
)

// Say turns the weights and temperatures of a sentence that is written in
// kilograms and degrees Celsius into the units, each with as many decimals as
// it had.
func (u Units) Say(text string) string {
	if u.Pounds {
		text = kgInText.ReplaceAllStringFunc(text, func(s string) string {
			m := kgInText.FindStringSubmatch(s)
			lb := func(kg string) string { return convert(kg, PoundsFromKg) }
			out := lb(m[3]) + " lb" + m[4]
			if m[1] != "" {
				out = lb(m[1]) + m[2] + out
			}
			if m[5] != "" {
				out += " (" + lb(m[5]) + " to " + lb(m[6])
			}
			return out
		})
	}
	if u.Fahrenheit {
		text = celsiusInText.ReplaceAllStringFunc(text, func(s string) string {
			m := celsiusInText.FindStringSubmatch(s)
			to := FahrenheitFromCelsius
			if m[1] != "" || m[5] != "" {
				to = func(c float64) float64 { return c * 1.8 }
			}
			out := convert(m[4], to) + " °F" + m[5]
			if m[2] != "" {
				out = convert(m[2], to) + m[3] + out
			}
			return m[1] + out
		})
		text = kelvinInText.ReplaceAllStringFunc(text, func(s string) string {
			m := kelvinInText.FindStringSubmatch(s)
			to := func(k string) string { return convert(k, func(k float64) float64 { return k * 1.8 }) }
			if m[2] != "" {
				return to(m[1]) + " (" + to(m[2]) + " to " + to(m[3]) + ") °F"
			}
			return to(m[1]) + " °F"
		})
	}
	return text
}

// SayAll is Say for each of lines.
func (u Units) SayAll(lines []string) []string {
	if u == (Units{}) {
		return lines
	}
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = u.Say(l)
	}
	return out
}

func convert(number string, to func(float64) float64) string {
	v, err := strconv.ParseFloat(strings.Replace(number, "−", "-", 1), 64)
	if err != nil {
		return number // the pattern lets nothing else through
	}
	_, decimals, _ := strings.Cut(number, ".")
	out := strconv.FormatFloat(to(v), 'f', len(decimals), 64)
	switch {
	case strings.HasPrefix(number, "+"):
		out = "+" + out
	case strings.HasPrefix(number, "−"):
		out = strings.Replace(out, "-", "−", 1)
	}
	return out
}
