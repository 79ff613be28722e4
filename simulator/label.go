package simulator

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"time"

	"outyard"
)

// Kinds of label that are no kinds of finding.
const (
	// Flow is a nectar flow of a whole yard.
	Flow outyard.Kind = "flow"
	// DayTruth is what one hive did on one local date.
	DayTruth outyard.Kind = "day"
	// DeadOut is a colony that has died.
	DeadOut outyard.Kind = "dead-out"
	// MovedProbe is a probe that the keeper put elsewhere in the hive.
	MovedProbe outyard.Kind = "moved-probe"
)

// Refinements of a kind, in [Label.What] and [Event.What]; those of handling
// are the kinds of journal entry.
const (
	Stolen  = "stolen"  // of knocked-over: gone for good
	Backlog = "backlog" // of silent: readings were kept by the nodes and came later
	Lost    = "lost"    // of silent: nothing was measured
	Stuck   = "stuck"   // of sensor-fault: the scale repeats itself
	Spike   = "spike"   // of sensor-fault: one wild reading

	Unplugged    = "unplugged"     // of sensor-fault: the probe's temperature is one figure
	Saturated    = "saturated"     // of sensor-fault: the probe's humidity stays at 100 %
	Fahrenheit   = "fahrenheit"    // of sensor-fault: the probe's temperature in the wrong unit
	LooseContact = "loose-contact" // of sensor-fault: one weight in a hundred is wild
	Creeping     = "creeping"      // of sensor-fault: the scale gains by itself
	Swimming     = "swimming"      // of sensor-fault: the scale's zero walks about
	Sinking      = "sinking"       // of sensor-fault: the scale loses by itself
	Warming      = "warming"       // of sensor-fault: the scale follows the warmth

	Queenless  = "queenless"   // of brood-cold: no queen lays, in the time of brood
	BroodBreak = "brood-break" // of brood-cold: as there is after a swarm, until the young queen lays

	Tree    = "tree"    // of flow
	Bramble = "bramble" // of flow
)

// NectarKg is the least that a hive gains on a day of flow: the lower end of a
// weak flow by common practice (0.2 to 1 kg a day).
const NectarKg = 0.2

// A Label is a truth about the invented season. A number that is left out is
// nought, and an end that is left out has not come before the season ended.
type Label struct {
	Kind outyard.Kind   `json:"kind"`
	What string         `json:"what,omitempty"`
	Yard outyard.YardID `json:"yard"`
	Hive outyard.HiveID `json:"hive,omitempty"` // empty: the whole yard
	Time time.Time      `json:"time"`
	End  time.Time      `json:"end,omitzero"`

	// MassKg is the swarm, or the honey that robbers carried off.
	MassKg   float64 `json:"mass_kg,omitempty"`
	Cast     bool    `json:"cast,omitempty"`     // an after-swarm
	Returned bool    `json:"returned,omitempty"` // came back within the hour

	// Low is, of a battery, when it had no more than two weeks left. Its label
	// begins at six weeks, from which on telling of it is right.
	Low time.Time `json:"low,omitzero"`

	// NetKg is how much more (or, negative, less) the scale shows after
	// handling than before.
	NetKg float64      `json:"net_kg,omitempty"`
	Part  outyard.Part `json:"part,omitempty"`  // the box put on or taken off
	Boxes int          `json:"boxes,omitempty"` // how many were taken off

	// KgPerDay is, of a flow, the mean daily gain of the yard's hives over it,
	// rainy days and all, without those that swarmed, were robbed or fell over.
	// In a cold, wet spring nothing may come of a flow: then it is about nought
	// or below, and no analysis could have found it.
	KgPerDay float64 `json:"kg_per_day,omitempty"`
	// NectarFrom and NectarTo are, of a flow, the first and the last day on
	// which at least a quarter of the yard's hives gained [NectarKg]: a bloom
	// opens in the rain too, when no bee flies, and fades when all is full.
	// Left out when there was no such day.
	NectarFrom outyard.Date `json:"nectar_from,omitzero"`
	NectarTo   outyard.Date `json:"nectar_to,omitzero"`

	// Of a day, from local midnight to midnight. GainKg is the colony's own
	// change: bees, brood, nectar, honey and pollen, with what swarms and
	// robbers took, without the keeper's work and without water in the wood or
	// on the lid, which is WaterKg.
	Date      outyard.Date `json:"date,omitzero"`
	GainKg    float64      `json:"gain_kg,omitempty"`
	HandledKg float64      `json:"handled_kg,omitempty"`
	WaterKg   float64      `json:"water_kg,omitempty"`
	StoresKg  float64      `json:"stores_kg,omitempty"` // nectar and honey in the combs at the end of the day
	BeesKg    float64      `json:"bees_kg,omitempty"`   // adult bees at the end of the day
	UsedKg    float64      `json:"used_kg,omitempty"`   // honey that the colony lived on
	// FullShare is how much of the cells' room for honey is taken at the end
	// of the day.
	FullShare float64 `json:"full_share,omitempty"`
	// DaysLeft is for how many days the stores above the reserve would have
	// fed the colony, had it lived as it then did and nothing come in; ShortKg
	// is, in the weeks in which there is still time to feed, what was wanting
	// until spring and a reserve, below nought what was over.
	DaysLeft float64 `json:"days_left,omitempty"`
	ShortKg  float64 `json:"short_kg,omitempty"`
	// Doomed says that the colony dies of something before spring, so that
	// neither is known.
	Doomed bool `json:"doomed,omitempty"`
}

// Entries are what a keeper with a perfect memory would have written into the
// journal about the label, one for each box; none when it is not about the
// keeper's work.
func (l Label) Entries() []outyard.Entry {
	if l.Kind != outyard.Handling {
		return nil
	}
	e := outyard.Entry{Time: l.Time, Yard: l.Yard, Hive: l.Hive, Kind: outyard.EntryKind(l.What), Kg: outyard.Unknown, Part: string(l.Part)}
	if l.NetKg != 0 {
		e.Kg = l.NetKg / float64(max(1, l.Boxes))
	}
	return slices.Repeat([]outyard.Entry{e}, max(1, l.Boxes))
}

// WriteLabels writes one JSON object a line.
func WriteLabels(w io.Writer, labels []Label) error {
	enc := json.NewEncoder(w)
	for _, l := range labels {
		if err := enc.Encode(l); err != nil {
			return fmt.Errorf("write label %s of %s %s: %w", l.Kind, l.Yard, l.Hive, err)
		}
	}
	return nil
}

// ReadLabels reads what WriteLabels writes.
func ReadLabels(r io.Reader) ([]Label, error) {
	var labels []Label
	dec := json.NewDecoder(bufio.NewReader(r))
	for n := 1; ; n++ {
		var l Label
		if err := dec.Decode(&l); err == io.EOF {
			return labels, nil
		} else if err != nil {
			return nil, fmt.Errorf("label %d: %w", n, err)
		}
		labels = append(labels, l)
	}
}
