package web

import (
	"fmt"
	"math"

	"outyard"
)

// A load is what a yard's findings say should be in the car, and what to take
// care of with it.
type load struct{ Things, Care []string }

const (
	// Sugar for a kilogram of stores, kg: what ripe honey holds of it.
	sugarPerStores = 0.82
	// Under this many kilograms a sum of sugar is not worth saying.
	leastSugarKg = 1
	superPart    = outyard.Part("medium-10")
	deepPart     = outyard.Part("deep-10")
)

// carry says what to take along to a yard for its open findings. It is a
// packing list, not a diagnosis: what is named serves to look and to put
// right, and what is heavy or dangerous about it stands beside it.
func carry(found []outyard.Finding) load {
	of := map[outyard.Kind]int{}
	sugarKg := 0.0
	for _, f := range found {
		if f.State != outyard.Open || f.Severity == outyard.Note && f.Kind != outyard.FlowEnd {
			continue // the end of a flow is a note, and still wants the refractometer
		}
		of[f.Kind]++
		if short := f.Fact("short_kg"); f.Kind == outyard.StoresLow && outyard.Known(short) {
			sugarKg += short * sugarPerStores
		}
	}
	var l load
	add := func(thing, care string) {
		l.Things = append(l.Things, thing)
		if care != "" {
			l.Care = append(l.Care, care)
		}
	}
	if of[outyard.Swarm] > 0 {
		add(countOf(of[outyard.Swarm], "a box with frames, a sheet and a strap for the swarm", "boxes with frames, sheets and straps for %d swarms"),
			"A swarm above safe reach is left: no ladder alone, none near power lines.")
	}
	if of[outyard.KnockedOver] > 0 {
		add("a strap, a spare lid and floor, and a smoker", "A hive on its side stings: full veil, gloves, boots. Let a storm pass first.")
	}
	if of[outyard.Robbing] > 0 {
		add("entrance reducers and a wet cloth", "Robbed colonies sting: full veil and gloves.")
	}
	switch n := of[outyard.RoomLow]; {
	case n > 0:
		add(countOf(n, "a super, with drawn comb if there is any", "%d supers, with drawn comb if there is any"), heavyBoxes())
	case of[outyard.FlowStart] > 0:
		add("supers in case, one for each strong hive", heavyBoxes())
	}
	if n := of[outyard.StoresLow]; n > 0 {
		feed := fmt.Sprintf("feed for %s", count(n, "hive", "hives"))
		if sugarKg >= leastSugarKg {
			feed += fmt.Sprintf(", some %.0f kg of sugar", math.Ceil(sugarKg))
		}
		add(feed, "Spilt syrup starts robbing: feed in the evening, entrances narrow.")
	}
	if of[outyard.FlowEnd] > 0 {
		add("the refractometer", "Only ripe honey comes off: 20 % water at most (CXS 12-1981).")
	}
	if of[outyard.BroodCold] > 0 {
		add("a frame of eggs from another hive, to see whether there is a queen", "")
	}
	if n := of[outyard.Damp] + of[outyard.MouldRisk]; n > 0 {
		add("a dry lid, wedges to tilt the hive, and a dust mask", "Mould dust harms lungs: upwind, wet it down, FFP2 or better.")
	}
	if n := of[outyard.BatteryLow]; n > 0 {
		add(countOf(n, "a charged battery", "%d charged batteries"), "Charge no lithium cell below 0 °C, nor one that is swollen or wet.")
	}
	if of[outyard.Silent]+of[outyard.SensorFault] > 0 {
		add("a spare node, cable and sensor", "")
	}
	return l
}

func countOf(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return fmt.Sprintf(many, n)
}

// heavyBoxes is the weight of full boxes, from the table of parts, against
// the 23 kg that one person may lift in the best posture (NIOSH 1991).
func heavyBoxes() string {
	full := func(p outyard.Part) float64 {
		in, _ := p.Info() // both are in the table; a test holds it
		return in.EmptyKg + in.HoneyKg
	}
	return fmt.Sprintf("A full medium weighs some %.0f kg, a full deep %.0f: lift with two, or comb by comb.", full(superPart), full(deepPart))
}
