package store

import (
	"errors"
	"time"

	"outyard"
)

var (
	// ErrExists means that something of that name is there already.
	ErrExists = errors.New("there is one of that name already")
	// ErrLastKeeper means that nobody would be left who may do everything.
	ErrLastKeeper = errors.New("nobody would be left who may do everything: give somebody else the role keeper first")
)

// A Session is a browser that somebody has signed in with. Of what the browser
// proves it by, only a hash is kept, so that whoever reads the store, or a
// backup of it, cannot sign in with it.
type Session struct {
	Keeper outyard.Keeper
	Made   time.Time
	Seen   time.Time // when it was last used, to a few minutes
}

// A Token is what a program proves by that it may ask. Only its hash is kept.
type Token struct {
	ID      string // to name it by; it proves nothing
	Keeper  outyard.Keeper
	Label   string // what it is for, in the keeper's words
	Scope   outyard.Scope
	Made    time.Time
	Used    time.Time // when it was last used, to a few minutes; zero: never
	Expires time.Time // zero: never
}
