package air

import "outyard"

// WoodMoisturePct is the moisture, in percent of dry mass, that wood comes to
// in air of tempC and rhPct: Simpson's sorption formula as given in the USDA
// Wood Handbook ch. 4 (constants from memory, its tables agree). Good below
// the boiling point and up to about 98 %RH.
func WoodMoisturePct(tempC, rhPct float64) float64 {
	if !knownTemp(tempC) {
		return outyard.Unknown
	}
	t, h := tempC, ClampRHPct(rhPct)/100
	w := 349 + 1.29*t + 0.0135*t*t
	k := 0.805 + 0.000736*t - 0.00000273*t*t
	k1 := 6.27 - 0.00938*t - 0.000303*t*t
	k2 := 1.91 + 0.0407*t - 0.000293*t*t
	kh := k * h
	return 1800 / w * (kh/(1-kh) + (k1*kh+2*k1*k2*kh*kh)/(1+k1*kh+k1*k2*kh*kh))
}
