package broker

import (
	"sync"
	"time"
)

// A throttle counts what went wrong by whom, and says who has to wait. Each has
// an allowance, which comes back with time.
type throttle struct {
	burst int           // what may go wrong at once
	every time.Duration // after which one more may
	most  int           // of those that are remembered

	mu   sync.Mutex
	owed map[string]time.Time // when all will have been forgotten
}

func newThrottle(burst int, every time.Duration, most int) *throttle {
	return &throttle{burst: burst, every: every, most: most, owed: map[string]time.Time{}}
}

// waits says whether who has used up its allowance.
func (t *throttle) waits(who string, now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.owed[who].Sub(now) > time.Duration(t.burst-1)*t.every
}

// wrong notes that something went wrong.
func (t *throttle) wrong(who string, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	until, known := t.owed[who]
	if !known && len(t.owed) >= t.most {
		t.makeRoom(now)
	}
	if until.Before(now) {
		until = now
	}
	t.owed[who] = until.Add(t.every)
}

// makeRoom forgets those to whom nothing is counted any more, and where there
// are none, whoever owes least: it is the one that tried the least.
func (t *throttle) makeRoom(now time.Time) {
	var least string
	for who, until := range t.owed {
		if until.Before(now) {
			delete(t.owed, who)
		} else if least == "" || until.Before(t.owed[least]) {
			least = who
		}
	}
	if len(t.owed) >= t.most {
		delete(t.owed, least)
	}
}

// A reporter lets one thing through in each stretch of time, for the log: a
// node with a wrong secret tries again each few seconds, for months.
type reporter struct {
	every time.Duration

	mu   sync.Mutex
	next time.Time
	left int
}

// allow says whether it may be told now, and how many were not since the last
// that was.
func (r *reporter) allow(now time.Time) (ok bool, left int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if now.Before(r.next) {
		r.left++
		return false, 0
	}
	left, r.left, r.next = r.left, 0, now.Add(r.every)
	return true, left
}
