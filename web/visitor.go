package web

import (
	"context"
	"net/http"

	"outyard"
)

// A visitor is whoever a request comes from, as far as is known.
type visitor struct {
	Keeper outyard.Keeper // nobody in particular when its name is empty
	Scope  outyard.Scope  // of what the account may
	Owner  bool           // may do everything without an account: there is none yet, or it is our own command
}

type visitorKey struct{}

// visitorOf is who a request comes from.
func visitorOf(r *http.Request) visitor {
	v, _ := r.Context().Value(visitorKey{}).(visitor)
	return v
}

// by is the account that stands beside what is written.
func by(r *http.Request) string { return visitorOf(r).Keeper.Name }

func withVisitor(r *http.Request, v visitor) *http.Request {
	return r.WithContext(context.WithValue(r.Context(), visitorKey{}, v))
}
