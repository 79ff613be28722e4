package senml

// A secondary unit is a primary one scaled and shifted: RFC 8798 §3.
type secondary struct {
	primary string
	per     float64 // how many of it make one primary unit, where that is exact
	times   float64 // else how many primary units it makes
	plus    float64
}

// secondaryUnits are those of RFC 8798 that a yard has a use for.
var secondaryUnits = map[string]secondary{
	"mm":   {primary: "m", per: 1000},
	"cm":   {primary: "m", per: 100},
	"km":   {primary: "m", times: 1000},
	"km/h": {primary: "m/s", per: 3.6},
	"mm/h": {primary: "m/s", per: 3_600_000},
	"hPa":  {primary: "Pa", times: 100},
	"mV":   {primary: "V", per: 1000},
	"mA":   {primary: "A", per: 1000},
	"ms":   {primary: "s", per: 1000},
	"min":  {primary: "s", times: 60},
	"h":    {primary: "s", times: 3600},
	"dBm":  {primary: "dBW", times: 1, plus: -30},
	"/100": {primary: "/", per: 100},
	"ppm":  {primary: "/", per: 1e6},
}

// Primary brings a value in a secondary unit (RFC 8798) to its primary one.
// Any other unit is left as it is.
func Primary(unit string, v float64) (string, float64) {
	s, ok := secondaryUnits[unit]
	switch {
	case !ok:
		return unit, v
	case s.per != 0:
		return s.primary, v / s.per
	}
	return s.primary, v*s.times + s.plus
}

func isSecondary(unit string) bool {
	_, ok := secondaryUnits[unit]
	return ok
}
