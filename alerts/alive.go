package alerts

import (
	"fmt"
	"sync"
	"time"
)

// A beat is when a worker last did a step; zero before the first. It is a time
// and no number, since the clock of a small computer leaps years at its start,
// which only a [time.Time] sees through.
type beat struct {
	mu sync.Mutex
	at time.Time
}

func (b *beat) note(now time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.at = now
}

func (b *beat) last() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.at
}

// Alive says what is wrong when a worker no longer turns. One with nothing to
// do looks for work once a minute, and one that reads a season does a step with
// each reading.
func (w *Watcher) Alive(within time.Duration) error {
	now := w.now()
	for i := range w.beats {
		last := w.beats[i].last()
		if still := now.Sub(last); !last.IsZero() && still > within {
			return fmt.Errorf("the evaluation of yards has not moved for %s", still.Round(time.Second))
		}
	}
	return nil
}
