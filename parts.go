package outyard

import (
	"fmt"
	"slices"
	"strings"
)

// A Part is a piece of a hive by its usual name, such as "deep-10": a deep
// box for ten frames.
type Part string

// A PartInfo is what a part weighs. No standards body fixes these sizes, and
// makers differ; the figures are common practice, or built up from sizes and
// the density of pine at 450 kg/m3, to within some 15 %.
type PartInfo struct {
	EmptyKg float64 // with drawn, empty comb where it is a box of frames
	HoneyKg float64 // the capped honey it holds when full; 0 where it is no box
	Brood   bool    // usually given to the brood nest
}

var parts = map[Part]PartInfo{
	"deep-10":    {EmptyKg: 8.39, HoneyKg: 27.2, Brood: true},
	"medium-10":  {EmptyKg: 6.14, HoneyKg: 18.1},
	"shallow-10": {EmptyKg: 5.38, HoneyKg: 13.6},
	"deep-8":     {EmptyKg: 7.19, HoneyKg: 21.8, Brood: true},
	"medium-8":   {EmptyKg: 5.24, HoneyKg: 14.5},
	"shallow-8":  {EmptyKg: 4.59, HoneyKg: 10.9},

	"floor":          {EmptyKg: 2.5},
	"inner-cover":    {EmptyKg: 1.2},
	"lid":            {EmptyKg: 3.2},
	"migratory-lid":  {EmptyKg: 2.0},
	"queen-excluder": {EmptyKg: 0.6},
	"mouse-guard":    {EmptyKg: 0.15},
	"feeder":         {EmptyKg: 2.5},
	"strap":          {EmptyKg: 0.2},
	"brick":          {EmptyKg: 2.5},
}

// Info says what the part weighs; false for a part that is not known.
func (p Part) Info() (PartInfo, bool) {
	in, ok := parts[p]
	return in, ok
}

// Check says what is wrong with the part's name, if anything.
func (p Part) Check() error {
	if _, ok := parts[p]; ok {
		return nil
	}
	names := make([]string, 0, len(parts))
	for n := range parts {
		names = append(names, string(n))
	}
	slices.Sort(names)
	return fmt.Errorf("part %q is not known: want one of %s", p, strings.Join(names, ", "))
}
