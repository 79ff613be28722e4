package round

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"outyard"
)

// A Thing is something to have in the car.
type Thing struct {
	Name  string   // of one of it: "dry lid"
	many  string   // of several: "dry lids"; empty where it is not counted
	Count int      // 0 where it is not counted
	Kg    float64  // where it goes by weight; NaN else
	For   []string // the yards that it is for, by name
	order int
}

// String says how many of it, as on a list.
func (t Thing) String() string {
	s := t.Name
	if t.Count > 1 {
		s = fmt.Sprintf(t.many, t.Count)
	}
	if outyard.Known(t.Kg) {
		s += fmt.Sprintf(", some %.0f kg of sugar", math.Ceil(t.Kg))
	}
	return s
}

const (
	// Sugar for a kilogram of stores, kg: what ripe honey holds of it.
	sugarPerStores = 0.82
	// Under this many kilograms a sum of sugar is not worth saying.
	leastSugarKg = 1
)

// A bag gathers things; the same thing for two hives is two of it.
type bag struct {
	things []Thing
	care   []string
}

func (b *bag) add(yard outyard.Yard, name, many string, kg float64) {
	place := cmp.Or(yard.Name, string(yard.ID))
	i := slices.IndexFunc(b.things, func(t Thing) bool { return t.Name == name })
	if i < 0 {
		b.things = append(b.things, Thing{Name: name, many: many, Kg: outyard.Unknown, order: placeOf(many)})
		i = len(b.things) - 1
	}
	t := &b.things[i]
	if many != "" {
		t.Count++
	}
	if outyard.Known(kg) {
		if !outyard.Known(t.Kg) {
			t.Kg = 0
		}
		t.Kg += kg
	}
	if !slices.Contains(t.For, place) {
		t.For = append(t.For, place)
	}
}

func (b *bag) warn(care string) {
	if !slices.Contains(b.care, care) {
		b.care = append(b.care, care)
	}
}

// packing is the order of the list, by the name of several. Where it says ""
// is the place of supers, which have a name for each size, and then of what is
// not counted.
var packing = []string{swarmBoxes, straps, lidsAndFloors, "", reducers, feeds, eggs, dryLids, wedges, batteries, nodes}

func placeOf(many string) int {
	if i := slices.Index(packing, many); i >= 0 {
		return 2 * i
	}
	return 2*slices.Index(packing, "") - 1
}

const (
	swarmBoxes    = "%d empty boxes with frames, and a sheet each, for swarms"
	straps        = "%d straps"
	lidsAndFloors = "%d spare lids and floors"
	reducers      = "%d entrance reducers"
	feeds         = "feed for %d hives"
	eggs          = "%d frames of eggs from other hives, to see whether there is a queen"
	dryLids       = "%d dry lids"
	wedges        = "%d wedges to tilt a hive"
	batteries     = "%d charged batteries"
	nodes         = "%d spare nodes, with cable and sensor"
)

// fill puts in what the findings of one yard ask for. It is a packing list,
// not a diagnosis: what is named serves to look and to put right, and what is
// heavy or dangerous about it stands beside it.
func (b *bag) fill(yard outyard.Yard, found []outyard.Finding) {
	unknown := outyard.Unknown
	wantsRoom := slices.ContainsFunc(found, func(f outyard.Finding) bool { return f.Kind == outyard.RoomLow && counts(f) })
	for _, f := range found {
		if !counts(f) {
			continue
		}
		switch f.Kind {
		case outyard.Swarm:
			b.add(yard, "empty box with frames, and a sheet, for the swarm", swarmBoxes, unknown)
			b.add(yard, "strap", straps, unknown)
			b.warn("A swarm above safe reach is left: no ladder alone, none near power lines.")
		case outyard.KnockedOver:
			b.add(yard, "strap", straps, unknown)
			b.add(yard, "spare lid and floor", lidsAndFloors, unknown)
			b.add(yard, "smoker", "", unknown)
			b.warn("A hive on its side stings: full veil, gloves, boots. Let a storm pass first.")
		case outyard.Robbing:
			b.add(yard, "entrance reducer", reducers, unknown)
			b.add(yard, "wet cloth", "", unknown)
			b.warn("Robbed colonies sting: full veil and gloves.")
		case outyard.RoomLow:
			hive, _ := yard.Hive(f.Hive)
			b.add(yard, superFor(hive), "%d "+strings.Replace(superFor(hive), "super", "supers", 1), unknown)
			b.add(yard, "drawn comb for the supers, if there is any", "", unknown)
			b.warn(heavyBoxes())
		case outyard.FlowStart:
			if !wantsRoom {
				b.add(yard, "supers in case, one for each strong hive", "", unknown)
				b.warn(heavyBoxes())
			}
		case outyard.StoresLow:
			kg := f.Fact("short_kg") * sugarPerStores
			if kg < leastSugarKg {
				kg = unknown
			}
			b.add(yard, "feed for a hive", feeds, kg)
			b.warn("Spilt syrup starts robbing: feed in the evening, entrances narrow.")
		case outyard.FlowEnd:
			b.add(yard, "refractometer", "", unknown)
			b.warn("Only ripe honey comes off: 20 % water at most (CXS 12-1981).")
		case outyard.BroodCold:
			b.add(yard, "frame of eggs from another hive, to see whether there is a queen", eggs, unknown)
		case outyard.Damp, outyard.MouldRisk:
			b.add(yard, "dry lid", dryLids, unknown)
			b.add(yard, "wedge to tilt a hive", wedges, unknown)
			b.add(yard, "dust mask", "", unknown)
			b.warn("Mould dust harms lungs: upwind, wet it down, FFP2 or better.")
		case outyard.BatteryLow:
			b.add(yard, "charged battery", batteries, unknown)
			b.warn("Charge no lithium cell below 0 °C, nor one that is swollen or wet.")
		case outyard.Silent, outyard.SensorFault:
			b.add(yard, "spare node, with cable and sensor", nodes, unknown)
		}
	}
}

// counts says whether a finding asks for something in the car. The end of a
// flow is a note, and still wants the refractometer.
func counts(f outyard.Finding) bool {
	return f.State == outyard.Open && (f.Severity != outyard.Note || f.Kind == outyard.FlowEnd)
}

// list is the bag's content, the most pressing first.
func (b *bag) list() []Thing {
	out := slices.Clone(b.things)
	slices.SortStableFunc(out, func(x, y Thing) int { return cmp.Compare(x.order, y.order) })
	return out
}

// superFor names the super that fits a hive: of the size of its topmost box
// that is not for brood, or else a medium on as many frames as its boxes have.
func superFor(h outyard.Hive) string {
	size := outyard.Part("")
	for _, p := range h.Equipment {
		in, ok := p.Info()
		switch {
		case !ok || in.HoneyKg == 0:
		case !in.Brood:
			size = p
		case size == "":
			_, frames, _ := strings.Cut(string(p), "-")
			size = outyard.Part("medium-" + frames)
		}
	}
	if size == "" {
		return "super"
	}
	return "super, " + size.Plain()
}

// heavyBoxes is the weight of full boxes, from the table of parts, against
// the 23 kg that one person may lift in the best posture (NIOSH 1991).
func heavyBoxes() string {
	full := func(p outyard.Part) float64 {
		in, _ := p.Info() // both are in the table; a test holds it
		return in.EmptyKg + in.HoneyKg
	}
	return fmt.Sprintf("A full medium weighs some %.0f kg, a full deep %.0f kg: lift with two, or comb by comb.", full("medium-10"), full("deep-10"))
}
