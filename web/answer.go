package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"outyard"
)

// ErrNoAlert is what Acknowledge and Snooze answer for a finding that nobody
// was, or is to be, told of.
var ErrNoAlert = errors.New("there is no such alert")

// answerPage is where the keeper answers a finding: will see to it, wants to
// hear of it later, or it was the keeper's own work.
type answerPage struct {
	Note    note
	Self    string
	Token   string
	Said    string // what was just answered, in words
	Problem string
	Await   bool // the yard is being evaluated again
	Seen    bool // an alert that can be acknowledged
	Later   []option
	Mine    []option
	Text    string // the note that was typed
	Written []entryRow
	History []step
	Gone    bool // withdrawn: nothing is left to answer
}

// A step is something that happened to an alert.
type step struct{ When, ISO, What string }

// stepText says what happened to an alert.
func stepText(t outyard.Transition, now time.Time, zone *time.Location) string {
	switch t.Event {
	case "raised":
		return "Found, and to be told"
	case "told":
		return "Told"
	case "worse":
		return "More pressing than before"
	case "again":
		return "Found again"
	case "reminded":
		return "Nobody had answered: a reminder"
	case "acknowledged":
		if t.By != "" {
			return t.By + " will see to it"
		}
		return "Somebody will see to it"
	case "snoozed":
		if t.By != "" {
			return "Put off by " + t.By + " until " + whenText(t.Until, now, zone)
		}
		return "Put off until " + whenText(t.Until, now, zone)
	case "woke":
		return "The time it was put off until"
	case "ended":
		return "Over, or withdrawn"
	}
	return sentence(t.Event)
}

// mine are, for each kind of finding that may have been the keeper's own
// work, the entries that would explain it, the likeliest first.
var mine = map[outyard.Kind][]outyard.EntryKind{
	outyard.Swarm:       {outyard.Split, outyard.Visit, outyard.BoxOff, outyard.HoneyTaken, outyard.SwarmTaken},
	outyard.KnockedOver: {outyard.Visit, outyard.BoxOff, outyard.HoneyTaken, outyard.ScaleSet, outyard.Split},
	outyard.Handling:    {outyard.Visit, outyard.BoxOn, outyard.BoxOff, outyard.HoneyTaken, outyard.Fed, outyard.Treated, outyard.Split, outyard.ScaleSet},
}

// answerLink is where a finding is answered, and what the link there says;
// empty where it asks for nothing.
func (s *site) answerLink(f outyard.Finding) (address, text string) {
	if f.State == outyard.Withdrawn {
		return "", ""
	}
	told := f.State == outyard.Open && f.Severity.Rank() >= outyard.Soon.Rank() && (s.Acknowledge != nil || s.Snooze != nil)
	address = "/findings/" + url.PathEscape(f.ID) + "/answer"
	switch {
	case told && mine[f.Kind] != nil:
		return address, "I will see to it, or that was me"
	case told:
		return address, "I will see to it, or later"
	case f.Kind == outyard.Handling:
		return address, "Say what was done"
	case mine[f.Kind] != nil:
		return address, "That was me"
	}
	return "", ""
}

// laterChoices are when a finding can be heard of again, on the yard's clock.
func laterChoices(now time.Time, zone *time.Location) []struct {
	value, text string
	at          time.Time
} {
	type choice = struct {
		value, text string
		at          time.Time
	}
	const evening, morning, leastAhead = 18, 6, 30 * time.Minute
	y, m, d := now.In(zone).Date()
	at := func(days, hour int) time.Time { return time.Date(y, m, d+days, hour, 0, 0, 0, zone) }
	var out []choice
	if t := at(0, evening); t.Sub(now) > leastAhead {
		out = append(out, choice{"evening", "This evening", t})
	}
	return append(out, choice{"morning", "Tomorrow morning", at(1, morning)}, choice{"days", "In three days", at(3, morning)})
}

func (s *site) answer(w http.ResponseWriter, r *http.Request) error {
	f, p, err := s.findingAt(r)
	if err != nil {
		return err
	}
	said := map[string]string{
		"seen": "Noted: you will see to it. You are reminded of it no more, and told when it is over.",
	}[r.URL.Query().Get("said")]
	if r.URL.Query().Get("said") == "later" {
		said = "Put off. You will be told again if it is still so."
	}
	return s.answerShow(w, r, http.StatusOK, f, p, answerPage{Said: said})
}

func (s *site) findingAt(r *http.Request) (outyard.Finding, place, error) {
	f, ok, err := s.store.Finding(r.Context(), r.PathValue("id"))
	if err != nil {
		return f, place{}, fmt.Errorf("finding: %w", err)
	}
	if !ok {
		return f, place{}, &pageError{http.StatusNotFound, "There is no such finding. It may have been re-evaluated under another name when late readings came in."}
	}
	return f, s.placeNamed(f.Yard), nil
}

func (s *site) answerShow(w http.ResponseWriter, r *http.Request, status int, f outyard.Finding, p place, v answerPage) error {
	ctx, now := r.Context(), s.Now()
	v.Note = s.noteOf(f, p, now)
	v.Self, v.Token, v.Gone = r.URL.Path, s.token(w, r), f.State == outyard.Withdrawn
	v.Note.AnswerURL, v.Note.NameYard = "", true
	written, err := s.writtenAbout(ctx, f)
	if err != nil {
		return err
	}
	for _, e := range written {
		v.Written = append(v.Written, entryRowOf(e, p, now))
	}
	if r.URL.Query().Get("said") == "mine" && len(v.Written) > 0 {
		v.Said, v.Await = "Written down. The yard is being evaluated again with it.", !v.Gone
	}
	history, err := s.store.History(ctx, f.ID)
	if err != nil {
		return err
	}
	for _, t := range history {
		v.History = append(v.History, step{whenText(t.At, now, p.zone()), t.At.UTC().Format(time.RFC3339), stepText(t, now, p.zone())})
	}
	who := visitorOf(r)
	if !v.Gone {
		if who.may(keeping) && f.State == outyard.Open && (s.Acknowledge != nil || s.Snooze != nil) {
			alert, err := s.alertOf(ctx, f.ID)
			if err != nil {
				return err
			}
			v.Note.Alert = alertText(alert, now, p.zone())
			if alert.State != "" && alert.State != outyard.AlertOver {
				v.Seen = s.Acknowledge != nil && alert.State != outyard.AlertAcknowledged
				if s.Snooze != nil {
					for _, c := range laterChoices(now, p.zone()) {
						v.Later = append(v.Later, option{Value: c.value, Text: c.text})
					}
				}
			}
		}
		for _, k := range mine[f.Kind] {
			if !who.may(writing) {
				break
			}
			v.Mine = append(v.Mine, option{string(k), entryTexts[k], string(k) == r.PostFormValue("kind")})
		}
	}
	w.Header().Set("Cache-Control", "no-store") // it changes under the keeper's hands
	return s.show(w, r, status, "answer", frame{Title: v.Note.Title, Here: "findings", Honey: true, Page: v})
}

// writtenAbout are the journal's entries about a finding's hive within the
// hours of it.
func (s *site) writtenAbout(ctx context.Context, f outyard.Finding) ([]outyard.Entry, error) {
	to := f.Onset
	if f.End.After(to) {
		to = f.End
	}
	const around = 3 * time.Hour
	es, _, err := s.store.Entries(ctx, Query{Yard: f.Yard, From: f.Onset.Add(-around), To: to.Add(around)})
	if err != nil {
		return nil, fmt.Errorf("journal of %s/%s: %w", f.Yard, f.Hive, err)
	}
	return slices.DeleteFunc(es, func(e outyard.Entry) bool { return e.Hive != "" && e.Hive != f.Hive }), nil
}

func (s *site) alertOf(ctx context.Context, finding string) (outyard.Alert, error) {
	all, err := s.alerts(ctx)
	return all[finding], err
}

// alerts are the alerts by finding, where the pages can do something about them.
func (s *site) alerts(ctx context.Context) (map[string]outyard.Alert, error) {
	if s.Acknowledge == nil && s.Snooze == nil {
		return nil, nil
	}
	list, err := s.store.Alerts(ctx)
	if err != nil {
		return nil, fmt.Errorf("alerts: %w", err)
	}
	out := make(map[string]outyard.Alert, len(list))
	for _, a := range list {
		out[a.Finding] = a
	}
	return out, nil
}

// alertText says what the keeper answered already.
func alertText(a outyard.Alert, now time.Time, zone *time.Location) string {
	switch a.State {
	case outyard.AlertAcknowledged:
		if a.By != "" {
			return "Seen to by " + a.By + ", since " + whenText(a.Since, now, zone)
		}
		return "You see to it, since " + whenText(a.Since, now, zone)
	case outyard.AlertSnoozed:
		return "Put off until " + whenText(a.Until, now, zone)
	}
	return ""
}

// withAlerts says on each note what was answered.
func withAlerts(notes []note, alerts map[string]outyard.Alert, now time.Time, zone *time.Location) {
	for i := range notes {
		notes[i].Alert = alertText(alerts[notes[i].ID], now, zone)
	}
}

// answerGive takes an answer.
func (s *site) answerGive(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return &pageError{http.StatusBadRequest, "The form could not be read. Go back and try again; a note may have up to 2000 characters."}
	}
	f, p, err := s.findingAt(r)
	if err != nil {
		return err
	}
	again := func(status int, problem string) error {
		return s.answerShow(w, r, status, f, p, answerPage{Problem: problem, Text: r.PostFormValue("note")})
	}
	if !s.ours(r) {
		return again(http.StatusForbidden, "The form was too old, so nothing was changed yet. Press the button once more.")
	}
	var said string
	do := r.PostFormValue("do")
	if who := visitorOf(r); do != "mine" && !who.may(keeping) {
		return again(http.StatusForbidden, mayNot(who, keeping))
	}
	switch do {
	case "seen":
		if s.Acknowledge == nil {
			return again(http.StatusUnprocessableEntity, "That is not offered here.")
		}
		said, err = "seen", s.Acknowledge(r.Context(), f.ID, by(r))
	case "mine":
		if problem := s.itWasMine(r, f); problem != nil {
			var known *pageError
			if errors.As(problem, &known) {
				return again(known.Status, known.Text)
			}
			return problem
		}
		said = "mine"
	default:
		choices := laterChoices(s.Now(), p.zone())
		for _, c := range choices {
			if c.value == do && s.Snooze != nil {
				said, err = "later", s.Snooze(r.Context(), f.ID, c.at, by(r))
			}
		}
		if said == "" {
			return again(http.StatusUnprocessableEntity, "Choose one of the answers.")
		}
	}
	switch {
	case errors.Is(err, ErrNoAlert):
		return again(http.StatusConflict, "Nobody is told of this any more, so there is nothing to answer.")
	case err != nil:
		return fmt.Errorf("answer %s to %s: %w", said, f.ID, err)
	}
	http.Redirect(w, r, "/findings/"+url.PathEscape(f.ID)+"/answer?said="+said, http.StatusSeeOther)
	return nil
}

// itWasMine writes the keeper's work into the journal where the finding
// begins. What is there already is not written twice: a thumb on a slow line
// presses more than once.
func (s *site) itWasMine(r *http.Request, f outyard.Finding) error {
	kind := outyard.EntryKind(r.PostFormValue("kind"))
	if f.State == outyard.Withdrawn || !slices.Contains(mine[f.Kind], kind) {
		return &pageError{http.StatusUnprocessableEntity, "Choose what you did."}
	}
	e := outyard.Entry{Time: f.Onset, Yard: f.Yard, Hive: f.Hive, Kind: kind, Kg: outyard.Unknown, Note: strings.TrimSpace(r.PostFormValue("note"))}
	if err := s.checkEntry(e); err != nil {
		return &pageError{http.StatusUnprocessableEntity, sentence(err.Error()) + "."}
	}
	there, _, err := s.store.Entries(r.Context(), Query{Yard: e.Yard, Hive: e.Hive, From: e.Time, To: e.Time.Add(time.Second)})
	if err != nil {
		return fmt.Errorf("journal of %s/%s: %w", e.Yard, e.Hive, err)
	}
	if slices.ContainsFunc(there, func(o outyard.Entry) bool { return o.Kind == e.Kind && o.Note == e.Note }) {
		return nil
	}
	_, err = s.addEntry(r, e)
	return err
}
