package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"outyard"
)

// alertsPage is what was told, and what became of it.
type alertsPage struct {
	Alerts        []alertRow
	Yards, States []option
	Next, First   string
	Narrowed      bool
}

// An alertRow is an alert in words.
type alertRow struct {
	Note    note
	State   string
	Since   string
	ISO     string
	Waiting bool // nobody has answered
	Steps   []step
	Letters []letter
}

// A letter is a message about a finding, and how it fared.
type letter struct {
	Route, Fared string
	Late         bool // not delivered yet, or in vain
}

// alertsPerPage keeps a page within reach of a thumb.
const alertsPerPage = 30

var alertStateTexts = map[outyard.AlertState]string{
	outyard.AlertOpen:         "Not told yet",
	outyard.AlertTold:         "Told, not answered",
	outyard.AlertAcknowledged: "Somebody sees to it",
	outyard.AlertSnoozed:      "Put off",
	outyard.AlertOver:         "Over",
}

// alertList lists alerts with their history, the one that changed last first.
func (s *site) alertList(w http.ResponseWriter, r *http.Request) error {
	ctx, now, q := r.Context(), s.Now(), r.URL.Query()
	ask := Query{Yard: outyard.YardID(q.Get("yard")), State: outyard.State(q.Get("state")), Limit: alertsPerPage, After: q.Get("cursor")}
	told, next, err := s.store.Told(ctx, ask)
	if badCursor(err) {
		return &pageError{http.StatusBadRequest, "That page of the list is no longer there. Start again from the newest alert."}
	}
	if err != nil {
		return err
	}
	places, err := s.known(ctx)
	if err != nil {
		return err
	}
	var ids []string
	for _, t := range told {
		ids = append(ids, t.Finding.ID)
	}
	messages, err := s.store.MessagesAbout(ctx, ids)
	if err != nil {
		return err
	}
	about := map[string][]outyard.Message{}
	for _, m := range messages {
		for _, id := range m.Findings {
			about[id] = append(about[id], m)
		}
	}
	p := alertsPage{Narrowed: ask.Yard != "" || ask.State != ""}
	for _, t := range told {
		pl := placeOf(places, t.Finding.Yard)
		a := alertRow{Note: s.noteOf(t.Finding, pl, now), State: alertStateTexts[t.Alert.State], Since: whenText(t.Alert.Since, now, pl.zone()),
			ISO: t.Alert.Since.UTC().Format(time.RFC3339), Waiting: t.Alert.State == outyard.AlertOpen || t.Alert.State == outyard.AlertTold}
		if t.Alert.State == outyard.AlertSnoozed {
			a.State += " until " + whenText(t.Alert.Until, now, pl.zone())
		}
		a.Note.NameYard = true
		if !a.Waiting && t.Alert.State != outyard.AlertSnoozed {
			a.Note.AnswerURL = ""
		}
		history, err := s.store.History(ctx, t.Finding.ID)
		if err != nil {
			return err
		}
		for _, h := range history {
			a.Steps = append(a.Steps, step{whenText(h.At, now, pl.zone()), h.At.UTC().Format(time.RFC3339), stepText(h, now, pl.zone())})
		}
		for _, m := range about[t.Finding.ID] {
			a.Letters = append(a.Letters, letterAbout(m, now, pl.zone()))
		}
		p.Alerts = append(p.Alerts, a)
	}
	for _, pl := range places[:min(len(places), mostYardOptions)] {
		p.Yards = append(p.Yards, option{string(pl.ID), pl.name(), pl.ID == ask.Yard})
	}
	for _, st := range alertStates {
		p.States = append(p.States, option{string(st), strings.ToLower(alertStateTexts[st]), string(st) == string(ask.State)})
	}
	p.First, p.Next = listLinks("/alerts", q, next)
	w.Header().Set("Cache-Control", "no-store") // it changes under the keeper's hands
	return s.show(w, r, http.StatusOK, "alerts", frame{Title: "Alerts", Here: "alerts", Page: p})
}

// letterAbout says how a message fared.
func letterAbout(m outyard.Message, now time.Time, zone *time.Location) letter {
	l := letter{Route: m.Route}
	switch {
	case !m.Sent.IsZero():
		l.Fared = "delivered " + whenText(m.Sent, now, zone)
	case !m.NotAfter.IsZero() && m.NotAfter.Before(now):
		l.Fared, l.Late = "not delivered in time", true
	case m.Attempts == 0:
		l.Fared = "waits since " + whenText(m.Queued, now, zone)
	default:
		l.Fared, l.Late = fmt.Sprintf("not delivered yet, tried %s since %s: %s", count(m.Attempts, "time", "times"), whenText(m.Queued, now, zone), m.LastErr), true
	}
	return l
}

// mostYardOptions is how many yards a list of choices offers: a phone cannot
// scroll through thousands, and each yard's own page leads to its lists.
const mostYardOptions = 400

// listLinks are the addresses of a list's beginning, empty there, and of its
// next page, empty at the end.
func listLinks(path string, q url.Values, next string) (first, more string) {
	at := func(cursor string) string {
		to := url.Values{}
		for k, v := range q {
			if k != "cursor" {
				to[k] = v
			}
		}
		if cursor != "" {
			to.Set("cursor", cursor)
		}
		if len(to) == 0 {
			return path
		}
		return path + "?" + to.Encode()
	}
	if q.Get("cursor") != "" {
		first = at("")
	}
	if next != "" {
		more = at(next)
	}
	return first, more
}
