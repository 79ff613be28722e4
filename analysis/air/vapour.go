package air

import (
	"math"

	"outyard"
)

// Constants of the Magnus form, WMO-No. 8 Annex 4.B after Sonntag (1990).
const (
	magnusPa = 611.2 // both curves at 0 °C

	waterSlope = 17.62
	waterC     = 243.12

	iceSlope = 22.46
	iceC     = 272.62
)

const (
	kelvin = 273.15
	// vapourGas is the gas constant of water vapour, J/(kg K).
	vapourGas = 461.5
	// molarRatio is the molar mass of water over that of dry air: ASHRAE
	// Handbook of Fundamentals 2017 ch. 1 eq. 20.
	molarRatio = 0.621945
)

// StandardPressurePa is the standard atmosphere at sea level.
const StandardPressurePa = 101325

// Temperatures outside these bounds are no air around bees; beyond them the
// functions answer NaN rather than run toward the poles of the formulas. The
// Magnus form itself is stated for -45 to 60 °C.
const (
	coldestC = -100
	hottestC = 100
)

// driestRHPct stands in for a humidity of zero or less, so that a logarithm
// has something to take; a sensor's offset reads so in very dry air.
const driestRHPct = 0.1

func knownTemp(c float64) bool { return c >= coldestC && c <= hottestC }

// ClampRHPct brings a relative humidity into (0, 100]: more than 100 is a wet
// sensor in saturated air, zero or less an offset in very dry air.
func ClampRHPct(rhPct float64) float64 {
	if !outyard.Known(rhPct) {
		return outyard.Unknown
	}
	return min(max(rhPct, driestRHPct), 100)
}

// SaturationPa is the vapour pressure of air saturated over liquid water at
// tempC, stated for -45 to 60 °C: Magnus form, WMO-No. 8 Annex 4.B, after
// Sonntag (1990). Low by 0.1 % at 5 °C and by 0.3 % at 30 °C against IAPWS-97,
// far inside a sensor's 2 %RH.
func SaturationPa(tempC float64) float64 {
	if !knownTemp(tempC) {
		return outyard.Unknown
	}
	return magnusPa * math.Exp(waterSlope*tempC/(waterC+tempC))
}

// IceSaturationPa is the vapour pressure of air saturated over ice at tempC,
// stated for -65 to 0 °C: WMO-No. 8 Annex 4.B. It is used only for frost on a
// surface; above 0 °C there is no ice, and the answer is NaN.
func IceSaturationPa(tempC float64) float64 {
	if !knownTemp(tempC) || tempC > 0 {
		return outyard.Unknown
	}
	return magnusPa * math.Exp(iceSlope*tempC/(iceC+tempC))
}

// VapourPa is the partial pressure of water vapour in air of tempC and rhPct.
func VapourPa(tempC, rhPct float64) float64 {
	return ClampRHPct(rhPct) / 100 * SaturationPa(tempC)
}

// DewPointC is the temperature at which dew forms from air of tempC and rhPct:
// the Magnus form turned round, so that it equals tempC at 100 %.
func DewPointC(tempC, rhPct float64) float64 { return DewPointOfPa(VapourPa(tempC, rhPct)) }

// DewPointOfPa is the dew point, over liquid water, of air whose vapour
// pressure is vapourPa; NaN where there is no vapour.
func DewPointOfPa(vapourPa float64) float64 {
	if !(vapourPa > 0) || math.IsInf(vapourPa, 0) {
		return outyard.Unknown
	}
	x := math.Log(vapourPa / magnusPa)
	return waterC * x / (waterSlope - x)
}

// FrostPointC is the temperature at which frost forms on a surface from air of
// tempC and rhPct. It is NaN where that would be above 0 °C: there dew forms.
func FrostPointC(tempC, rhPct float64) float64 {
	e := VapourPa(tempC, rhPct)
	if !(e <= magnusPa) {
		return outyard.Unknown
	}
	x := math.Log(e / magnusPa)
	return iceC * x / (iceSlope - x)
}

// AbsoluteHumidityGM3 is the water in a cubic metre of air, g/m³, as an ideal
// gas.
func AbsoluteHumidityGM3(tempC, rhPct float64) float64 {
	return 1000 * VapourPa(tempC, rhPct) / (vapourGas * (tempC + kelvin))
}

// HumidityRatio is the water vapour in kg for each kg of dry air at
// pressurePa (see [StandardPressurePa]): ASHRAE Fundamentals 2017 ch. 1
// eq. 20. NaN where the air would be all vapour.
func HumidityRatio(tempC, rhPct, pressurePa float64) float64 {
	e := VapourPa(tempC, rhPct)
	if !(e < pressurePa) {
		return outyard.Unknown
	}
	return molarRatio * e / (pressurePa - e)
}

// DeficitPa is how much more vapour pressure the air could take up: its
// drying power.
func DeficitPa(tempC, rhPct float64) float64 { return SaturationPa(tempC) - VapourPa(tempC, rhPct) }

// RHAtPct is the relative humidity of air of tempC and rhPct once it has come
// to toC with no water gained or lost. Above 100 the excess condenses.
func RHAtPct(tempC, rhPct, toC float64) float64 {
	return 100 * VapourPa(tempC, rhPct) / SaturationPa(toC)
}
