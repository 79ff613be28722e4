package outyard

import "math"

// Round brings a value to the resolution that is kept of the quantity, to the
// float64 nearest to that decimal, so that what is judged as it comes in is
// what is read back later. Unknown stays unknown, and there is no minus zero.
func (q Quantity) Round(v float64) float64 {
	perStep := math.Round(1 / quantities[q].Step)
	return math.Round(v*perStep)/perStep + 0
}
