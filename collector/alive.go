package collector

import (
	"fmt"
	"time"
)

// Alive says what is wrong when the committer no longer turns: it holds
// messages, and for so long has neither kept any nor been refused by the
// store. A store that refuses is no such thing: see [Intake.Healthy].
func (in *Intake) Alive(within time.Duration) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	since := in.turned
	if !in.committing {
		if in.pending.messages() == 0 {
			return nil
		}
		if in.pending.first.After(since) { // it had nothing to do until then
			since = in.pending.first
		}
	}
	if still := in.now().Sub(since); still > within {
		return fmt.Errorf("the intake has not moved for %s, with %d messages waiting", still.Round(time.Second), in.pending.messages())
	}
	return nil
}

// turn notes that the committer has done a step.
func (in *Intake) turn(committing bool) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.turned, in.committing = in.now(), committing
}
