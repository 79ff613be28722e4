package guessing

import (
	"sync"
	"time"
)

// An Allowance gives each name so many tries at once, and one more each time
// that another stretch of time has passed. (It is the generic cell rate
// algorithm, ITU-T I.371: of each name only the time is kept at which it will
// have all of its tries again.) It remembers so many names, and forgets those
// first that tried the least.
type Allowance struct {
	burst int
	every time.Duration
	most  int

	mu   sync.Mutex
	full map[string]time.Time // when a name has all its tries again
}

// NewAllowance gives burst tries at once and one more after every, to most
// names.
func NewAllowance(burst int, every time.Duration, most int) *Allowance {
	return &Allowance{burst: burst, every: every, most: most, full: map[string]time.Time{}}
}

// Wait is how long who has to wait for a try: not at all where it is zero.
func (a *Allowance) Wait(who string, now time.Time) time.Duration {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.wait(who, now)
}

func (a *Allowance) wait(who string, now time.Time) time.Duration {
	if lacks, atOnce := a.full[who].Sub(now), time.Duration(a.burst-1)*a.every; lacks > atOnce {
		return lacks - atOnce
	}
	return 0
}

// Spend takes a try from who, whether one is left or not.
func (a *Allowance) Spend(who string, now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.spend(who, now)
}

func (a *Allowance) spend(who string, now time.Time) {
	full, known := a.full[who]
	if !known && len(a.full) >= a.most {
		a.makeRoom(now)
	}
	if full.Before(now) {
		full = now
	}
	a.full[who] = full.Add(a.every)
}

// Try takes a try from who where one is left. Else it takes nothing, and
// returns how long to wait.
func (a *Allowance) Try(who string, now time.Time) time.Duration {
	a.mu.Lock()
	defer a.mu.Unlock()
	wait := a.wait(who, now)
	if wait == 0 {
		a.spend(who, now)
	}
	return wait
}

// makeRoom forgets those who have all their tries, and where there are none,
// whoever lacks the fewest.
func (a *Allowance) makeRoom(now time.Time) {
	var least string
	for who, full := range a.full {
		if full.Before(now) {
			delete(a.full, who)
		} else if least == "" || full.Before(a.full[least]) {
			least = who
		}
	}
	if len(a.full) >= a.most {
		delete(a.full, least)
	}
}
