package analysis

import (
	"fmt"
	"strings"

	"outyard"
	"outyard/analysis/robust"
)

// ripen adds to the end of a flow what the nights since say of its honey: a
// hint that it is worth opening a hive with a refractometer, never more.
func (c *Course) ripen(f *outyard.Finding) {
	if f.Kind != outyard.FlowEnd || f.State != outyard.Open {
		return
	}
	var ids, names []string
	var now, then []float64
	for _, h := range c.order {
		r := h.nights.Ripe()
		if !r.Likely {
			continue
		}
		name := string(h.id)
		if config, ok := c.yard.Hive(h.id); ok && config.Name != "" {
			name = config.Name
		}
		ids, names = append(ids, string(h.id)), append(names, name)
		now, then = append(now, r.NightLossKg), append(then, r.PeakKg)
	}
	if len(ids) == 0 {
		return
	}
	f.Facts["quiet_nights"] = ids
	f.Facts["night_loss_kg"], f.Facts["night_loss_flow_kg"] = grams(robust.Median(now)), grams(robust.Median(then))
	f.Advice = append([]string{fmt.Sprintf("It is worth opening %s with a refractometer: nights have gone quiet, %.2f kg lost in one where it was %.2f kg in the flow, so the nectar has probably dried down.",
		strings.Join(names, ", "), robust.Median(now), robust.Median(then))}, f.Advice...)
	f.Caution = append(f.Caution,
		"A scale knows nothing of caps: comb that is not capped may hold more than the 20 % of water that honey may have (CXS 12-1981) and ferment, whatever the nights say. Wet nights are quiet, too.",
		"No honey for children under twelve months.")
}

func grams(kg float64) float64 { return float64(int(1000*kg+0.5)) / 1000 }
