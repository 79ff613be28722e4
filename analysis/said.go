package analysis

import (
	"math"

	"outyard"
)

// Nothing that is read off a scale is certain, nor certainly untrue.
const (
	surest   = 0.99
	unsurest = 0.01
)

// factPlaces is to how many decimals facts are said: grams of kilograms.
const factPlaces = 3

// say brings a finding to the form in which it is said, whichever analysis it
// is from: a confidence that leaves room for doubt, numbers to the third
// decimal, no fact that is not known, and lists that are empty rather than
// missing.
func say(f *outyard.Finding) {
	f.Confidence = math.Round(100*min(max(f.Confidence, unsurest), surest)) / 100
	for name, fact := range f.Facts {
		switch v := fact.(type) {
		case float64:
			switch r := roundTo(v, factPlaces); {
			case math.IsNaN(v) || math.IsInf(v, 0):
				delete(f.Facts, name)
			case r != v: // written only where it differs: a finding that was handed out is not touched
				f.Facts[name] = r
			}
		case []string:
			if v == nil {
				f.Facts[name] = []string{}
			}
		}
	}
}

func roundTo(v float64, places int) float64 {
	f := math.Pow10(places)
	return math.Round(v*f) / f
}
