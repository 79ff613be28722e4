package honey

import (
	"fmt"
	"math"
)

// Limits of water in honey, g in 100 g.
const (
	CodexWaterPct   = 20 // CXS 12-1981, 3.4 (a): honey in general
	HeatherWaterPct = 23 // CXS 12-1981, 3.4 (b): heather
	// KeepsWaterPct is the limit of the top grades in the United States: below
	// it honey keeps unless it is full of yeast.
	KeepsWaterPct = 18.6
)

// The range of the table that the formula was drawn from.
const (
	minIndex, maxIndex = 1.4740, 1.5044
	indexSlack         = 0.003 // a few readings beyond its ends are still good
)

// WaterPct is the water in honey, g in 100 g, by its refractive index as read
// at tempC: Wedmore's formula on Chataway's data, as in the methods of the
// International Honey Commission and AOAC 969.38, with 0.00023 added for each
// degree above 20 °C. The characteristic that the papers print with a bar over
// the 1 is -1 + 0.73190. It is NaN for an index that is not honey's: 13 to
// 25 % of water. Crystallised honey must be melted first.
func WaterPct(index, tempC float64) float64 {
	n := index + 0.00023*(tempC-20)
	if !(n >= minIndex-indexSlack && n <= maxIndex+indexSlack) {
		return math.NaN()
	}
	return (-0.26810 - math.Log10(n-1)) / 0.002243
}

// IndexAt20C is the refractive index at 20 °C of honey with so much water: the
// same formula turned round.
func IndexAt20C(waterPct float64) float64 {
	return 1 + math.Pow(10, -0.26810-0.002243*waterPct)
}

// SafeYeastsPerG is how many yeasts a gram of honey with so much water bears
// without fermenting (Lochhead 1933, by the handbooks): any number below
// 17.1 %, none above 20 %. Nobody knows the yeasts in the yard, so up to 17 %
// is safe, up to 18.6 % to be watched, and above that to be dealt with (common
// practice). Water is rounded to the tenth that a refractometer shows.
func SafeYeastsPerG(waterPct float64) float64 {
	if math.IsNaN(waterPct) {
		return math.NaN()
	}
	switch w := math.Round(waterPct * 10); {
	case w < 171:
		return math.Inf(1)
	case w <= 180:
		return 1000
	case w <= 190:
		return 10
	case w <= 200:
		return 1
	}
	return 0
}

// Dried is what is left of a batch of honey brought from one water content to
// another, by the balance of dry matter.
func Dried(kg, fromPct, toPct float64) float64 { return kg * (100 - fromPct) / (100 - toPct) }

// sucrose are refractive indices of sugar solutions at 20 °C by their content
// in g in 100 g: the scale "Brix" of refractometers (ICUMSA's table, from
// memory; between its points the index is good to 0.0001).
var sucrose = [3]struct{ brix, index float64 }{{75, 1.47787}, {80, 1.49071}, {85, 1.50398}}

// IndexOfBrix is the refractive index at which a refractometer with a scale of
// sugar shows so many Brix: a parabola through the points about honey, NaN
// outside 72 to 88. Honey is not sucrose, so that its water is not 100 less
// the Brix, but some 1.7 less than that.
func IndexOfBrix(brix float64) float64 {
	if !(brix >= 72 && brix <= 88) {
		return math.NaN()
	}
	a, b, c := sucrose[0], sucrose[1], sucrose[2]
	return a.index*(brix-b.brix)*(brix-c.brix)/((a.brix-b.brix)*(a.brix-c.brix)) +
		b.index*(brix-a.brix)*(brix-c.brix)/((b.brix-a.brix)*(b.brix-c.brix)) +
		c.index*(brix-a.brix)*(brix-b.brix)/((c.brix-a.brix)*(c.brix-b.brix))
}

// A Measurement is what a refractometer showed of honey.
type Measurement struct {
	Reading  float64 // as read: a refractive index, or Brix
	TempC    float64 // of instrument and honey; NaN where the instrument corrects for it
	WaterPct float64
}

// Measure reads a refractometer: an index such as 1.4915, or Brix such as
// 80.5. Its errors are for whoever typed the number.
func Measure(reading, tempC float64) (Measurement, error) {
	m := Measurement{Reading: reading, TempC: tempC}
	index, at := reading, tempC
	if reading > 2 {
		index = IndexOfBrix(reading)
	}
	if math.IsNaN(at) {
		at = 20
	}
	if at < 5 || at > 45 {
		return m, fmt.Errorf("refractometer at %g °C: the correction holds from 5 to 45 °C", at)
	}
	if m.WaterPct = WaterPct(index, at); math.IsNaN(m.WaterPct) {
		return m, fmt.Errorf("refractometer reading %g is not that of honey: want an index of 1.474 to 1.504, such as 1.4915, or 75 to 84 Brix; crystallised honey must be melted first", reading)
	}
	return m, nil
}

// String says what was read and what it means, for the journal.
func (m Measurement) String() string {
	unit, at := "", ""
	if m.Reading > 2 {
		unit = " Brix"
	}
	if !math.IsNaN(m.TempC) {
		at = fmt.Sprintf(" at %g °C", m.TempC)
	}
	means := "ripe, and it keeps"
	switch w := math.Round(10*m.WaterPct) / 10; {
	case w > CodexWaterPct:
		means = "too wet: over the limit of 20 % (CXS 12-1981; heather 23 %)"
	case w > KeepsWaterPct:
		means = "under the limit of 20 % (CXS 12-1981), but it may ferment"
	case w > 17:
		means = "ripe; keep it cool and closed"
	}
	return fmt.Sprintf("refractometer %g%s%s: %.1f %% water, %s", m.Reading, unit, at, m.WaterPct, means)
}

// Noted puts a measurement before a note.
func (m Measurement) Noted(note string) string {
	if note == "" {
		return m.String()
	}
	return m.String() + "; " + note
}
