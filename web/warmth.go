package web

import (
	"context"
	"fmt"
	"time"

	"outyard"
	"outyard/analysis/brood"
)

// stateTextsOfNest say what lives in a hive, by the warmth at its probe.
var stateTextsOfNest = map[brood.State]string{
	brood.Nest:    "a brood nest",
	brood.Cluster: "bees, no brood nest at the probe",
	brood.Empty:   "empty, it seems",
}

// warmth says what lives in a hive by its last day; "" where that is not to be
// told. A probe far from the bees tells of its own place only.
func (s *site) warmth(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, last time.Time) (string, error) {
	if last.IsZero() {
		return "", nil
	}
	from := last.Add(-24 * time.Hour)
	hours := make([]brood.Hour, 25)
	fold := func(hive outyard.HiveID, quantity outyard.Quantity, put func(*brood.Hour, float64)) error {
		var sums, counts [25]float64
		q := Query{Yard: yard, Hive: hive, Weather: hive == "", From: from, To: last.Add(time.Second)}
		err := s.store.EachReading(ctx, q, func(r outyard.Reading) error {
			if v := r.Values[quantity]; outyard.Known(v) {
				k := int(r.Time.Sub(from) / time.Hour)
				sums[k], counts[k] = sums[k]+v, counts[k]+1
			}
			return nil
		})
		for k := range hours {
			put(&hours[k], sums[k]/counts[k]) // 0/0 is NaN: not known
		}
		return err
	}
	err := fold(hive, outyard.InsideTemp, func(h *brood.Hour, v float64) { h.InsideC = v })
	if err == nil {
		err = fold("", outyard.OutsideTemp, func(h *brood.Hour, v float64) { h.OutsideC = v })
	}
	if err != nil {
		return "", fmt.Errorf("warmth of %s/%s: %w", yard, hive, err)
	}
	return stateTextsOfNest[brood.Look(hours).State()], nil
}
