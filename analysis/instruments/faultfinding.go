package instruments

import (
	"fmt"
	"math"
	"slices"

	"outyard"
)

// Findings returns every lying sensor so far, one finding for each fault.
func (f *Faults) Findings() []outyard.Finding {
	var found []outyard.Finding
	for _, n := range f.nodes {
		for _, s := range n.shifts.past {
			found = append(found, f.shiftFinding(n.hive, s))
		}
		for _, q := range watchedQuantities {
			if n.of[q] == nil {
				continue
			}
			for _, o := range slices.Concat(n.of[q].past, n.of[q].drifts) {
				found = append(found, f.finding(n.hive, q, o))
			}
		}
	}
	slices.SortStableFunc(found, func(a, b outyard.Finding) int { return a.Onset.Compare(b.Onset) })
	return found
}

// said is a quantity in the keeper's words.
var said = map[outyard.Quantity]string{
	outyard.Weight: "the weight", outyard.InsideTemp: "the temperature in the hive", outyard.InsideRH: "the humidity in the hive",
	outyard.OutsideTemp: "the temperature outside", outyard.OutsideRH: "the humidity outside",
}

// how is what a fault looks like, the number being what the sensor showed.
func (o *fault) how(q outyard.Quantity) string {
	v, unit := o.value, unitOf(q)
	figure := fmt.Sprintf("%g %s", math.Round(100*v)/100, unit)
	switch o.lie {
	case stuck:
		return "did not change from " + figure
	case unplugged:
		return "was " + figure + ", which stands for a probe that is not there"
	case saturated:
		return "stayed at the top of its scale, as that of a wet or worn-out sensor does"
	case absent:
		return "is missing from what the node still sends"
	case impossible:
		return "was " + figure + ", which no hive has"
	case fahrenheit:
		return fmt.Sprintf("was about %.0f °C; as degrees Fahrenheit it would be %.0f °C", v, (v-32)/1.8)
	case pounds:
		return "was more than twice as much from one reading to the next, as the same weight in pounds is"
	case jumping:
		return fmt.Sprintf("jumped by kilograms and back %d times within days", o.n)
	}
	switch o.lie {
	case swimming:
		return fmt.Sprintf("moved by %.1f kg in nights in which no bee brings or takes anything", v)
	case warming:
		return fmt.Sprintf("followed the warmth, by %+.2f kg for each kelvin", v)
	case sinking:
		return fmt.Sprintf("fell by %.2f kg a day below that of the yard's other hives, when no bee flies too", -v)
	}
	return fmt.Sprintf("rose by %.2f kg a day above that of the yard's other hives, when no bee brings anything too", v)
}

func unitOf(q outyard.Quantity) string {
	if q == outyard.InsideRH || q == outyard.OutsideRH {
		return "%"
	}
	return q.Info().Unit
}

// what there is to do.
func (o *fault) advice(q outyard.Quantity) []string {
	switch {
	case o.lie == fahrenheit:
		return []string{"Set the node, or the unit in its mapping, to degrees Celsius; what it sent before stays as it is."}
	case o.lie == pounds:
		return []string{"Set the node, or the unit in its mapping, to kilograms; what it sent before stays as it is."}
	case o.slow():
		return []string{"Weigh a known weight on the scale, or lift the hive off it for a moment and see whether it comes back to nought.",
			"Look for a leg that sinks or a stand that touches the ground, grass or a strap that pulls, and water or ants in plug and cable."}
	case q == outyard.Weight:
		return []string{"Look at the cable and plug of the scale for water, ants and bites, and whether anything wedges the platform.",
			"If it goes on, change the amplifier or the load cell, and calibrate anew."}
	case o.lie == saturated:
		return []string{"Dry the probe in warm air for a day, out of the hive, and see whether it comes down; change it if not.",
			"Look at the hive meanwhile: it may be truly dripping."}
	}
	return []string{"Look at the probe's plug and cable, and whether bees have gnawed or covered it; change it if it goes on."}
}

// caution is what may hurt whoever mends it: the scale's hive has to be lifted,
// the probe's opened; the weather's node hangs in the open.
func caution(hive outyard.HiveID, q outyard.Quantity) []string {
	switch {
	case hive == "":
		return []string{mastCaution}
	case q == outyard.Weight:
		return []string{
			"A full hive is far over the 23 kg that are safe to lift alone (one deep box of honey weighs 36 to 41 kg): take a second person, a lever or a trolley, or put the known weight on top.",
			stingCaution,
		}
	}
	return []string{
		"To reach the probe the hive is opened: not below some 14 °C or in rain, for chilled brood dies. What hangs out of plug and cable can be looked at before.",
		stingCaution,
	}
}

func (f *Faults) finding(hive outyard.HiveID, q outyard.Quantity, o *fault) outyard.Finding {
	where := ""
	if hive == "" {
		where = " of the yard's weather node"
	}
	fd := outyard.Finding{
		Kind: outyard.SensorFault, Yard: f.yard.ID, Hive: hive, Onset: o.onset, Severity: outyard.Soon, Confidence: o.sure,
		Advice: o.advice(q), Caution: caution(hive, q), State: outyard.Open,
		Facts: map[string]any{"quantity": q.Info().Name, "fault": string(o.lie)},
	}
	from := o.onset.In(f.yard.Zone)
	since := "since " + from.Format("2 January 15:04")
	if o.slow() {
		since = "since about " + from.Format("2 January")
	}
	fd.Summary = fmt.Sprintf("A sensor may be at fault: %s%s %s, %s.", said[q], where, o.how(q), since)
	if o.over {
		fd.State, fd.End = outyard.Over, o.end
		fd.Summary = fmt.Sprintf("A sensor was at fault: %s%s %s, from %s to %s.", said[q], where, o.how(q), from.Format("2 January"), o.end.In(f.yard.Zone).Format("2 January"))
	}
	reasons := []string{fmt.Sprintf("%s %s", said[q], o.how(q))}
	switch o.lie {
	case jumping:
		fd.Facts["jumps"] = float64(o.n)
		fd.Severity = outyard.Note
	case creeping:
		fd.Facts["creep_kg_per_day"] = math.Round(1000*o.value) / 1000
		fd.Severity = outyard.Note
		reasons = append(reasons, "on wet and cold days or by night too")
	case sinking:
		fd.Facts["creep_kg_per_day"] = math.Round(1000*o.value) / 1000
		fd.Severity = outyard.Note
		reasons = append(reasons, "on wet and cold days or by night too", "a colony that others rob, or that is stronger than all others by far, may look so for some weeks")
	case swimming:
		fd.Facts["moved_kg"] = math.Round(100*o.value) / 100
	case warming:
		fd.Facts["kg_per_kelvin"] = math.Round(1000*o.value) / 1000
		fd.Severity = outyard.Note
	case absent:
	default:
		fd.Facts["shown"] = math.Round(100*o.value) / 100
	}
	if o.lie == pounds {
		reasons = append(reasons, "nothing is made of this weight until it is in kilograms again")
	}
	if q != outyard.Weight {
		reasons = append(reasons, "nothing is made of it until it is mended: damp, mould and brood are then not known")
	}
	if o.slow() {
		reasons = append(reasons, "meanwhile little is made of this weight: no gain, no stores and no robbers are told of it, and the yard's gain is told without it")
	}
	fd.Facts["reasons"] = reasons
	return fd
}
