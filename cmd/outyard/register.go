package main

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"outyard"
	"outyard/collector"
	"outyard/configs"
)

// A register knows the yards and hives in force: those of the config, and,
// where whatever sends gets a place, those that have sent.
type register struct {
	placement atomic.Pointer[collector.Placement]

	mu    sync.RWMutex
	auto  bool
	yards []outyard.Yard // by id in the config's order, then by coming
}

// newRegister begins with the config's yards and what the store has of others.
func newRegister(ctx context.Context, cfg configs.Config, db fullStore) (*register, error) {
	r := &register{auto: cfg.AutoYards, yards: slices.Clone(cfg.Yards)}
	r.placement.Store(collector.NewPlacement(cfg.Yards, cfg.AutoYards))
	if !r.auto {
		return r, nil
	}
	newest, err := db.Newest(ctx)
	if err != nil {
		return nil, fmt.Errorf("read which hives have sent: %w", err)
	}
	r.notice(newest)
	return r, nil
}

// replace takes the places of another register, and says which yards that made
// or changed, and which are gone.
func (r *register) replace(by *register) (changed []outyard.Yard, gone []outyard.YardID) {
	r.mu.Lock()
	defer r.mu.Unlock()
	was := map[outyard.YardID]outyard.Yard{}
	for _, y := range r.yards {
		was[y.ID] = y
	}
	for _, y := range by.yards {
		if old, there := was[y.ID]; !there || !reflect.DeepEqual(old, y) {
			changed = append(changed, y)
		}
		delete(was, y.ID)
	}
	gone = slices.Sorted(maps.Keys(was))
	r.auto, r.yards = by.auto, by.yards
	r.placement.Store(by.placement.Load())
	return changed, gone
}

// Place is as [collector.Places] wants it.
func (r *register) Place(yard outyard.YardID, hive outyard.HiveID) (*outyard.Scale, bool) {
	return r.placement.Load().Place(yard, hive)
}

// Yards is as [collector.Places] wants it.
func (r *register) Yards() []outyard.YardID { return r.placement.Load().Yards() }

// all lists the yards in force.
func (r *register) all() []outyard.Yard {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return slices.Clone(r.yards)
}

// yard finds a yard by its id.
func (r *register) yard(id outyard.YardID) (outyard.Yard, bool) {
	for _, y := range r.all() {
		if y.ID == id {
			return y, true
		}
	}
	return outyard.Yard{}, false
}

// notice gives a place to what sends for the first time, where that is wanted,
// and returns the yards that this made or changed.
func (r *register) notice(fresh []outyard.Reading) []outyard.Yard {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.auto {
		return nil
	}
	var changed []outyard.YardID
	for _, f := range fresh {
		i := slices.IndexFunc(r.yards, func(y outyard.Yard) bool { return y.ID == f.Yard })
		if i < 0 {
			i = len(r.yards)
			r.yards = append(r.yards, yardByDefault(f.Yard, time.Local, f.Time))
			changed = append(changed, f.Yard)
		}
		if _, known := r.yards[i].Hive(f.Hive); known || f.Hive == "" {
			continue
		}
		// A copy: others hold the list as it was.
		hives := append(slices.Clone(r.yards[i].Hives), outyard.Hive{ID: f.Hive, Name: string(f.Hive)})
		slices.SortFunc(hives, func(a, b outyard.Hive) int { return cmp.Compare(a.ID, b.ID) })
		r.yards[i].Hives = hives
		changed = append(changed, f.Yard)
	}
	slices.Sort(changed)
	var yards []outyard.Yard
	for _, id := range slices.Compact(changed) {
		i := slices.IndexFunc(r.yards, func(y outyard.Yard) bool { return y.ID == id })
		yards = append(yards, r.yards[i])
	}
	return yards
}

// yardByDefault is a yard that no config describes. Its noon is guessed from
// the zone, 15 degrees of longitude an hour, and its summer taken for the
// north's: enough to tell day from night.
func yardByDefault(id outyard.YardID, zone *time.Location, at time.Time) outyard.Yard {
	if zone == nil {
		zone = time.UTC
	}
	// Standard time: the smaller offset of midwinter and midsummer.
	_, january := time.Date(at.Year(), time.January, 1, 0, 0, 0, 0, zone).Zone()
	_, july := time.Date(at.Year(), time.July, 1, 0, 0, 0, 0, zone).Zone()
	return outyard.Yard{ID: id, Name: string(id), Zone: zone, Latitude: 45, Longitude: float64(min(january, july)) / 3600 * 15}
}
