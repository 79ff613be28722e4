package broker

import (
	"sync"
	"time"
)

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
