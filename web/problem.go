package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
)

// A problemError is an answer of the API that is not what was asked for, in
// the form of RFC 9457.
type problemError struct {
	Status int
	Detail string
}

func (e *problemError) Error() string { return e.Detail }

func badRequest(format string, args ...any) error {
	return &problemError{http.StatusBadRequest, fmt.Sprintf(format, args...)}
}

func notFound(format string, args ...any) error {
	return &problemError{http.StatusNotFound, fmt.Sprintf(format, args...)}
}

// writeProblem answers with problem details. The type is left out, which
// RFC 9457 §4.2.1 reads as "about:blank": the status says what kind it is.
func writeProblem(w http.ResponseWriter, e *problemError) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(e.Status)
	b, err := json.Marshal(map[string]any{"title": http.StatusText(e.Status), "status": e.Status, "detail": e.Detail})
	if err != nil {
		return // a string and a number always marshal
	}
	_, _ = w.Write(append(b, '\n')) // who has left cannot be told
}

// apiUnknown answers what no route of the API takes.
func (s *site) apiUnknown(w http.ResponseWriter, r *http.Request) {
	if allow := s.allowed(r, "/api/"); allow != "" {
		w.Header().Set("Allow", allow)
		writeProblem(w, &problemError{http.StatusMethodNotAllowed, fmt.Sprintf("%s takes %s", r.URL.Path, strings.ReplaceAll(allow, ", ", " and "))})
		return
	}
	writeProblem(w, &problemError{http.StatusNotFound, "there is no such address: /api/v1/openapi.json lists them all"})
}

// problemOf finds the words for an error; false: it is ours, and its cause
// belongs in the log.
func problemOf(err error) (*problemError, bool) {
	var p *problemError
	if errors.As(err, &p) {
		return p, true
	}
	if badCursor(err) {
		return &problemError{http.StatusBadRequest, "cursor is not one that this list gave: leave it out to begin anew"}, true
	}
	return &problemError{http.StatusInternalServerError, "this could not be answered; the daemon's log says why"}, false
}
