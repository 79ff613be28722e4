package honey

import "math"

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
