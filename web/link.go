package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"

	"outyard"
)

// A Link is what somebody may do once without signing in, because a message
// gave it to him.
type Link struct {
	Finding string
	Mine    bool // it was the keeper's own work; else: somebody will see to it
}

// Errors of a link that does nothing (any more).
var (
	ErrLinkForged  = errors.New("the link is not one of ours")
	ErrLinkExpired = errors.New("the link has expired")
	ErrLinkUsed    = errors.New("the link has been used")
)

// linkPage asks whether it is meant: programs that look through mail follow
// every link, so that only a button does anything.
type linkPage struct {
	Note    note
	Self    string
	Mine    []option
	Text    string
	Problem string
	Done    string // what was done, in words
	Gone    bool   // nothing is left to answer
}

func (s *site) link(w http.ResponseWriter, r *http.Request) error {
	link, f, p, err := s.linkAt(r)
	if err != nil {
		return err
	}
	return s.linkShow(w, r, http.StatusOK, link, f, p, linkPage{})
}

// linkAt reads the link and finds what it is about.
func (s *site) linkAt(r *http.Request) (Link, outyard.Finding, place, error) {
	var none outyard.Finding
	if s.OpenLink == nil {
		return Link{}, none, place{}, errNoPage
	}
	link, err := s.OpenLink(r.Context(), r.PathValue("token"))
	where := " What became of it is on the page of findings, and can be answered there."
	switch {
	case errors.Is(err, ErrLinkForged):
		return link, none, place{}, &pageError{http.StatusNotFound, "This link is not one of ours. It may have been cut short on its way: copy the whole of it out of the message." + where}
	case errors.Is(err, ErrLinkExpired):
		return link, none, place{}, &pageError{http.StatusGone, "This link is too old: it works for two weeks. Nothing was changed." + where}
	case errors.Is(err, ErrLinkUsed):
		return link, none, place{}, &pageError{http.StatusGone, "This link has been used already, and works once. What was answered then stands." + where}
	case err != nil:
		return link, none, place{}, fmt.Errorf("link of a message: %w", err)
	}
	f, ok, err := s.store.Finding(r.Context(), link.Finding)
	if err != nil {
		return link, f, place{}, fmt.Errorf("finding: %w", err)
	}
	if !ok {
		return link, f, place{}, &pageError{http.StatusNotFound, "There is no such finding any more." + where}
	}
	return link, f, s.placeNamed(f.Yard), nil
}

func (s *site) linkShow(w http.ResponseWriter, r *http.Request, status int, link Link, f outyard.Finding, p place, v linkPage) error {
	v.Note, v.Self, v.Gone = s.noteOf(f, p, s.Now()), r.URL.Path, f.State == outyard.Withdrawn
	v.Note.AnswerURL, v.Note.NameYard = "", true
	if link.Mine && !v.Gone {
		for _, k := range mine[f.Kind] {
			v.Mine = append(v.Mine, option{string(k), entryTexts[k], string(k) == r.PostFormValue("kind")})
		}
	}
	w.Header().Set("Cache-Control", "no-store")
	return s.show(w, r, status, "link", frame{Title: v.Note.Title, Here: "findings", Page: v})
}

// linkUse does what the link is for. The link itself is what the form proves:
// who has it may use it, signed in or not. It counts as used only once it is
// done, and what it does is the same twice.
func (s *site) linkUse(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return &pageError{http.StatusBadRequest, "The form could not be read. Go back and try again; a note may have up to 2000 characters."}
	}
	link, f, p, err := s.linkAt(r)
	if err != nil {
		return err
	}
	done := "Noted: you will see to it. You are reminded of it no more, and told when it is over."
	if link.Mine {
		done = "Written down. The yard is being evaluated again with it."
		var known *pageError
		switch err := s.itWasMine(r, f); {
		case errors.As(err, &known):
			return s.linkShow(w, r, known.Status, link, f, p, linkPage{Problem: known.Text, Text: r.PostFormValue("note")})
		case err != nil:
			return err
		}
	} else if s.Acknowledge == nil {
		return errNoPage
	} else if err := s.Acknowledge(r.Context(), f.ID, by(r)); errors.Is(err, ErrNoAlert) {
		done = "Nobody is told of this any more, so there was nothing to answer."
	} else if err != nil {
		return fmt.Errorf("answer to %s by a link: %w", f.ID, err)
	}
	if err := s.UseLink(r.Context(), r.PathValue("token")); err != nil {
		return fmt.Errorf("note that a link was used: %w", err)
	}
	return s.linkShow(w, r, http.StatusOK, link, f, p, linkPage{Done: done})
}

// hostOf is the name, with its port, by which an address reaches the pages.
func hostOf(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return ""
	}
	return u.Host
}
