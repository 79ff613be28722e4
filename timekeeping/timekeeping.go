// Package timekeeping judges the clocks of nodes by when their messages arrive.
// It exists so that what comes in and what keepers are told cannot disagree on
// which clock is off.
package timekeeping

import (
	"slices"
	"time"
)

// Settings are the thresholds by which a node's clock is taken to be off
// (common practice, no source).
type Settings struct {
	// Spread, 2 min: to within so much of their median the differences must be
	// the same, Agree, 4, of the newest six. Held back readings grow older or
	// younger, a clock stays as wrong as it is, and one or two that the network
	// delayed change nothing. Four come before the node would be called silent,
	// however seldom it sends.
	Spread time.Duration
	Agree  int
	// Apart, 5 min: what arrives within it is looked at once: a backlog that
	// comes in a burst is one difference.
	Apart time.Duration
	// Notable, 3 min: less is not unusual between measuring and sending.
	Notable time.Duration
	// Least, 30 min: of what is less, nobody need be told who does not ask. It
	// does no harm to a day, and no zone of time is nearer to another.
	Least time.Duration
	// SoundTimes, 3: in a row must differ by less for a clock to be right again.
	SoundTimes int
}

// DefaultSettings returns the defaults.
func DefaultSettings() Settings {
	return Settings{Spread: 2 * time.Minute, Agree: 4, Apart: 5 * time.Minute, Notable: 3 * time.Minute, Least: 30 * time.Minute, SoundTimes: 3}
}

// A Node is what a node's newest messages say of its clock.
type Node struct {
	newest [6]difference // oldest first
	n      int
}

// A difference is by how much a node's time is ahead of its arrival.
type difference struct {
	arrived time.Time
	ahead   time.Duration
}

// Note takes the time of a reading, the newest of its message, and when that
// arrived, in order of arrival.
func (k *Node) Note(at, arrived time.Time, set Settings) {
	ahead := at.Sub(arrived)
	if k.n > 0 && arrived.Sub(k.newest[k.n-1].arrived) < set.Apart {
		k.newest[k.n-1].ahead = max(k.newest[k.n-1].ahead, ahead) // a delay only takes from it
		return
	}
	if k.n == len(k.newest) {
		copy(k.newest[:], k.newest[1:])
		k.n--
	}
	k.newest[k.n] = difference{arrived, ahead}
	k.n++
}

// Ahead is how far the clock is steadily ahead, below zero behind, since when;
// zero while the messages do not agree.
func (k *Node) Ahead(set Settings) (by time.Duration, since time.Time) {
	if k.n < set.Agree {
		return 0, time.Time{}
	}
	var all [len(k.newest)]time.Duration
	for i, d := range k.newest[:k.n] {
		all[i] = d.ahead
	}
	slices.Sort(all[:k.n])
	median := (all[(k.n-1)/2] + all[k.n/2]) / 2
	agree := 0
	for _, d := range k.newest[:k.n] {
		if (d.ahead - median).Abs() > set.Spread {
			continue
		}
		if agree++; agree == 1 {
			since = d.arrived
		}
	}
	if agree < set.Agree {
		return 0, time.Time{}
	}
	return median, since
}

// Sound says that a clock which was off by Least is right again, and since when.
func (k *Node) Sound(set Settings) (since time.Time, sound bool) {
	if k.n < set.SoundTimes {
		return time.Time{}, false
	}
	newest := k.newest[k.n-set.SoundTimes : k.n]
	for _, d := range newest {
		if d.ahead.Abs() >= set.Least {
			return time.Time{}, false
		}
	}
	return newest[0].arrived, true
}

// Arrived is when the newest message did.
func (k *Node) Arrived() time.Time {
	if k.n == 0 {
		return time.Time{}
	}
	return k.newest[k.n-1].arrived
}
