package store

import "errors"

// What a caller may want to tell apart. Each comes wrapped in what was being
// done, and to what.
var (
	// ErrNoRoom means that the disk is full: nothing was kept, and trying
	// again once there is room is right.
	ErrNoRoom = errors.New("no room left on the disk: free some, nothing was half kept")
	// ErrUnavailable means that the store cannot be read or written just now:
	// nothing was kept, and trying again later is right.
	ErrUnavailable = errors.New("store unavailable")
	// ErrDamaged means that the file is not what a store wrote: trying again
	// will not help.
	ErrDamaged = errors.New("the store's file is damaged: restore it from a backup")
	// ErrInUse means that another daemon has the data folder.
	ErrInUse = errors.New("data folder is in use by another outyard")
	// ErrNewer means that a newer program wrote the store.
	ErrNewer = errors.New("the store was written by a newer outyard: use that one again, or restore a copy made before")
	// ErrOlder means that the store has to be brought up to date first, which
	// only a daemon does.
	ErrOlder = errors.New("the store was written by an older outyard: start the daemon once to bring it up to date")
	// ErrNotFound means that there is nothing under that name.
	ErrNotFound = errors.New("not found")
	// ErrBadCursor means that Query.After is not what a page said comes next.
	ErrBadCursor = errors.New("cursor is not one that a page gave")
)
