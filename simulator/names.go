package simulator

import (
	"fmt"
	"strings"
	"time"

	"outyard"
)

// Names of places that are not on any map, and of corners of a yard.
var (
	placeNames = []string{"Heron Point", "Alder Landing", "Salal Bench", "Otter Slough", "Fern Gully", "Kelp Cove",
		"Madrone Ridge", "Plover Spit", "Stump Meadow", "Cedar Hollow", "Thimble Hill", "Barge Road", "Tern Flats",
		"Mossy Bluff", "Orchard End", "Raven Creek Farm", "Driftwood Lane", "Snowberry Corner", "Quarry Field", "Lantern Bay"}
	standNames = []string{"By the gate", "Old stump", "Under the maple", "Blue lid", "Ditch side", "Long grass", "Back fence",
		"Lookout", "Twin left", "Twin right", "Woodpile", "Little slope"}
)

func inventYard(seed uint64, index, hives int, zone *time.Location) outyard.Yard {
	rng := newDice(seed, "place", index)
	name := placeNames[index%len(placeNames)]
	if round := index / len(placeNames); round > 0 {
		name = fmt.Sprintf("%s %d", name, round+1)
	}
	y := outyard.Yard{
		ID:          outyard.YardID(strings.ReplaceAll(strings.ToLower(name), " ", "-")),
		Name:        name,
		Latitude:    round(latitudeDeg+rng.between(-0.08, 0.08), 1000),
		Longitude:   round(longitudeDeg+rng.between(-0.12, 0.12), 1000),
		Zone:        zone,
		TripMinutes: 5 * float64(2+rng.IntN(12)),
	}
	for i := range hives {
		stand := standNames[i%len(standNames)]
		if round := i / len(standNames); round > 0 {
			stand = fmt.Sprintf("%s %d", stand, round+1)
		}
		y.Hives = append(y.Hives, outyard.Hive{ID: HiveID(i + 1), Name: stand})
	}
	return y
}

// HiveID is the id of a yard's nth hive, from 1: "h01".
func HiveID(n int) outyard.HiveID { return outyard.HiveID(fmt.Sprintf("h%02d", n)) }

// YardID is the id of the nth yard, from 1.
func YardID(n int) outyard.YardID { return inventYard(0, n-1, 0, time.UTC).ID }
