package air

import "outyard"

// A Layer is a sheet of one material in a wall.
type Layer struct {
	ThicknessM float64
	// LambdaWMK is the thermal conductivity, W/(m K).
	LambdaWMK float64
}

// Conductivities, W/(m K).
const (
	// SoftwoodWMK is dry softwood of 500 kg/m³ (ISO 10456, from memory; the
	// same follows from a published 0.195 m²K/W for 25.4 mm).
	SoftwoodWMK = 0.13
	// WetSoftwoodWMK is softwood soaked by a winter (common practice, no
	// source).
	WetSoftwoodWMK = 0.16
	// FoamWMK is rigid insulating foam (common practice, no source).
	FoamWMK = 0.035
)

// Softwood is a board of softwood.
func Softwood(thicknessM float64) Layer { return Layer{thicknessM, SoftwoodWMK} }

// A HeatFlow is the way that heat takes through a surface.
type HeatFlow int

// Heat goes sideways through a wall, up through a lid, down through a floor.
const (
	Sideways HeatFlow = iota
	Up
	Down
)

// InsideM2KW is the resistance of the still air at the inner surface, m²K/W:
// ISO 6946:2017 table 7.
func (f HeatFlow) InsideM2KW() float64 {
	switch f {
	case Up:
		return 0.10
	case Down:
		return 0.17
	}
	return 0.13
}

const (
	// OutsideM2KW is the resistance of the air at the outer surface, m²K/W:
	// ISO 6946:2017 table 7. Wind lowers it toward 0.02, shelter raises it to
	// 0.08.
	OutsideM2KW = 0.04
	// CornerM2KW is the inner resistance with which ISO 13788:2012 cl. 4.4.1
	// (from memory) judges corners and covered places, where air hardly moves.
	CornerM2KW = 0.25
)

// A Wall is a hive's wall, lid or floor as heat sees it: layers between two
// films of air, in steady state. Sun, wind and a soaked lid break that; it is
// meant for means over an hour or longer. The zero Wall knows nothing.
type Wall struct {
	insideM2KW float64
	totalM2KW  float64
}

// NewWall builds a wall after ISO 6946 cl. 6.7: resistances in series. A layer
// without conductivity or thickness adds nothing.
func NewWall(flow HeatFlow, layers ...Layer) Wall {
	return newWall(flow.InsideM2KW(), layers)
}

// NewCorner is a wall judged at its corners: see [CornerM2KW].
func NewCorner(layers ...Layer) Wall { return newWall(CornerM2KW, layers) }

func newWall(insideM2KW float64, layers []Layer) Wall {
	total := insideM2KW + OutsideM2KW
	for _, l := range layers {
		if l.ThicknessM > 0 && l.LambdaWMK > 0 {
			total += l.ThicknessM / l.LambdaWMK
		}
	}
	return Wall{insideM2KW, total}
}

// UWM2K is the thermal transmittance, W/(m²K).
func (w Wall) UWM2K() float64 {
	if w.totalM2KW == 0 {
		return outyard.Unknown
	}
	return 1 / w.totalM2KW
}

// FRsi is the temperature factor of the inner surface, ISO 13788: 0 when it is
// as cold as outside, 1 when as warm as inside.
func (w Wall) FRsi() float64 { return 1 - w.insideM2KW*w.UWM2K() }

// SurfaceC is the temperature of the wall's inner surface between air of
// insideC and outsideC.
func (w Wall) SurfaceC(insideC, outsideC float64) float64 {
	if !knownTemp(insideC) || !knownTemp(outsideC) {
		return outyard.Unknown
	}
	return outsideC + w.FRsi()*(insideC-outsideC)
}

// SurfaceRHPct is the humidity of the inside air where it touches the wall,
// after ISO 13788. Above 100 water condenses there.
func (w Wall) SurfaceRHPct(insideC, insideRHPct, outsideC float64) float64 {
	return RHAtPct(insideC, insideRHPct, w.SurfaceC(insideC, outsideC))
}

// Condenses says that dew, or below 0 °C frost, forms on the wall's inner
// surface.
func (w Wall) Condenses(insideC, insideRHPct, outsideC float64) bool {
	return wets(VapourPa(insideC, insideRHPct), w.SurfaceC(insideC, outsideC))
}

// wets says that air of vapourPa leaves dew or frost on a surface.
func wets(vapourPa, surfaceC float64) bool {
	if surfaceC < 0 {
		return vapourPa >= IceSaturationPa(surfaceC)
	}
	return vapourPa >= SaturationPa(surfaceC)
}

// MouldLimitRHPct is the mean surface humidity up to which ISO 13788:2012
// cl. 5.3 (from memory) holds a surface safe from mould.
const MouldLimitRHPct = 80

// LeastSurfaceC is the lowest temperature that a surface may have for its
// humidity to stay at or below limitRHPct (see [MouldLimitRHPct]; 100 for
// condensation) in air of insideC and insideRHPct.
func LeastSurfaceC(insideC, insideRHPct, limitRHPct float64) float64 {
	return DewPointOfPa(VapourPa(insideC, insideRHPct) / ClampRHPct(limitRHPct) * 100)
}

// LeastFRsi is the temperature factor that a wall must have for its inner
// surface to be no colder than leastSurfaceC: ISO 13788:2012 cl. 5.3. NaN
// where inside is no warmer than outside, for then no wall helps.
func LeastFRsi(leastSurfaceC, insideC, outsideC float64) float64 {
	if !(insideC > outsideC) {
		return outyard.Unknown
	}
	return (leastSurfaceC - outsideC) / (insideC - outsideC)
}
