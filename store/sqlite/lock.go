package sqlite

import (
	"fmt"

	"outyard/store"
)

const lockFile = "outyard.lock"

// inUse is the error for a folder that another daemon has; holder is its
// process id, empty where that cannot be told.
func inUse(dir, holder string) error {
	who := "it"
	if holder != "" {
		who = "process " + holder
	}
	return fmt.Errorf("%w: %s: stop %s, or give this one a data folder of its own", store.ErrInUse, dir, who)
}
