package web

import (
	"fmt"
	"net/http"
	"slices"

	"outyard"
)

type findingsPage struct {
	Notes                []note
	Kinds, Yards, States []option
	Next, First          string
	Narrowed             bool
	Hive                 string
}

type option struct {
	Value, Text string
	Chosen      bool
}

// findingsPerPage keeps a page of sentences within reach of a thumb.
const findingsPerPage = 40

// findings is the history: everything that was found, newest first.
func (s *site) findings(w http.ResponseWriter, r *http.Request) error {
	ctx, now, q := r.Context(), s.Now(), r.URL.Query()
	ask := Query{Yard: outyard.YardID(q.Get("yard")), Hive: outyard.HiveID(q.Get("hive")), Kind: outyard.Kind(q.Get("kind")),
		State: outyard.State(q.Get("state")), Limit: findingsPerPage, After: q.Get("cursor")}
	fs, next, err := s.store.Findings(ctx, ask)
	if badCursor(err) {
		return &pageError{http.StatusBadRequest, "That page of the list is no longer there. Start again from the newest finding."}
	}
	if err != nil {
		return fmt.Errorf("findings: %w", err)
	}
	places, err := s.known(ctx)
	if err != nil {
		return err
	}
	p := findingsPage{Narrowed: ask.Yard != "" || ask.Hive != "" || ask.Kind != "" || ask.State != "", Hive: clip(string(ask.Hive))}
	for _, f := range fs {
		n := s.noteOf(f, placeOf(places, f.Yard), now)
		n.NameYard = true
		p.Notes = append(p.Notes, n)
	}
	for _, k := range outyard.Kinds {
		p.Kinds = append(p.Kinds, option{string(k), k.Happened(), k == ask.Kind})
	}
	for _, pl := range places[:min(len(places), mostYardOptions)] {
		p.Yards = append(p.Yards, option{string(pl.ID), pl.name(), pl.ID == ask.Yard})
	}
	for _, st := range []outyard.State{outyard.Open, outyard.Over, outyard.Withdrawn} {
		p.States = append(p.States, option{string(st), string(st), st == ask.State})
	}
	p.First, p.Next = listLinks("/findings", q, next)
	return s.show(w, r, http.StatusOK, "findings", frame{Title: "Findings", Here: "findings", Honey: slices.ContainsFunc(fs, func(f outyard.Finding) bool { return talksOfHoney(f.Kind) }), Page: p})
}

func placeOf(places []place, yard outyard.YardID) place {
	for _, p := range places {
		if p.ID == yard {
			return p
		}
	}
	return place{Yard: outyard.Yard{ID: yard}}
}

// finding leads from a finding's own address, which messages carry, to where
// it is best seen.
func (s *site) finding(w http.ResponseWriter, r *http.Request) error {
	f, ok, err := s.store.Finding(r.Context(), r.PathValue("id"))
	if err != nil {
		return fmt.Errorf("finding: %w", err)
	}
	if !ok {
		return &pageError{http.StatusNotFound, "There is no such finding. It may have been re-evaluated under another name when late readings came in."}
	}
	n := s.noteOf(f, s.placeNamed(f.Yard), s.Now())
	http.Redirect(w, r, n.SeeURL, http.StatusSeeOther)
	return nil
}
