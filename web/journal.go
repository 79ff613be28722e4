package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"outyard"
	"outyard/analysis/honey"
	"outyard/store"
)

type journalPage struct {
	Entries  []entryRow
	Yards    []yardOption
	Kinds    []option
	Parts    []option
	Token    string
	Form     entryForm
	Problem  string // what is wrong with the form
	Saved    bool
	Next     string
	NowLocal string
	Action   string // where the form goes
	Fixing   bool   // an entry that is there
	Partial  bool   // not every hive is offered
	MayWrite bool
	Before   []entryRow
	Draft    string // under what the browser keeps it: each account its own, on a phone that is shared
}

type yardOption struct {
	ID, Name string
	Hives    []option
}

// entryForm is what was typed, kept when it has to be shown again.
type entryForm struct{ Place, Time, Kind, Kg, Part, Index, IndexTemp, Note string }

const (
	entriesPerPage = 50
	// Up to so many hives the form offers each.
	mostHiveOptions = 400
	maxNote         = 2000 // characters of a note
	maxEntryKg      = 1000 // no hive, and no car, carries more
)

// journal lists what was done, and has the form for what was done just now.
func (s *site) journal(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	form := entryForm{Place: q.Get("yard")}
	if h := q.Get("hive"); h != "" {
		form.Place += "/" + h
	}
	return s.journalShow(w, r, http.StatusOK, form, "")
}

// entryAt is the entry of an address as it stands, with what it was before.
func (s *site) entryAt(r *http.Request) (outyard.Entry, []store.EntryVersion, error) {
	versions, err := s.store.EntryVersions(r.Context(), r.PathValue("id"))
	if err != nil {
		return outyard.Entry{}, nil, fmt.Errorf("journal entry: %w", err)
	}
	if len(versions) == 0 {
		return outyard.Entry{}, nil, &pageError{http.StatusNotFound, "There is no such entry in the journal."}
	}
	last := len(versions) - 1
	return versions[last].Entry, versions[:last], nil
}

// journalFix shows the form with an entry that is there.
func (s *site) journalFix(w http.ResponseWriter, r *http.Request) error {
	e, _, err := s.entryAt(r)
	if err != nil {
		return err
	}
	form := entryForm{Place: string(e.Yard), Time: e.Time.In(s.placeNamed(e.Yard).zone()).Format(minuteLayout), Kind: string(e.Kind), Part: e.Part, Note: e.Note}
	if e.Hive != "" {
		form.Place += "/" + string(e.Hive)
	}
	if outyard.Known(e.Kg) {
		form.Kg = strconv.FormatFloat(e.Kg, 'f', -1, 64)
	}
	return s.journalShow(w, r, http.StatusOK, form, "")
}

// journalFixed keeps an entry as it was put right, or shows the form again.
func (s *site) journalFixed(w http.ResponseWriter, r *http.Request) error {
	was, _, err := s.entryAt(r)
	if err != nil {
		return err
	}
	return s.journalTake(w, r, func(e outyard.Entry) error {
		e.ID = was.ID
		// The form knows minutes: one that was left alone keeps its second.
		if e.Time.Equal(was.Time.Truncate(time.Minute)) {
			e.Time = was.Time
		}
		return s.fixEntry(r, was, e)
	})
}

func (s *site) fixEntry(r *http.Request, was, e outyard.Entry) error {
	e.By = cmp.Or(by(r), was.By) // the program's own token is nobody
	if err := s.store.FixEntry(r.Context(), e, s.Now()); err != nil {
		return fmt.Errorf("journal entry %s of %s/%s: %w", e.ID, e.Yard, e.Hive, err)
	}
	s.Log.Info("journal entry fixed", "yard", e.Yard, "hive", e.Hive, "kind", e.Kind, "id", e.ID)
	s.JournalChanged(e.Yard)
	if was.Yard != e.Yard {
		s.JournalChanged(was.Yard)
	}
	return nil
}

// formOf is what was typed.
func (s *site) formOf(r *http.Request) (entryForm, error) {
	if err := r.ParseForm(); err != nil {
		return entryForm{}, &pageError{http.StatusBadRequest, "The form could not be read. Go back and try again; a note may have up to 2000 characters."}
	}
	return entryForm{Place: r.PostFormValue("place"), Time: r.PostFormValue("time"), Kind: r.PostFormValue("kind"),
		Kg: r.PostFormValue("kg"), Part: r.PostFormValue("part"),
		Index: r.PostFormValue("refractometer"), IndexTemp: r.PostFormValue("refractometer-temp"), Note: strings.TrimSpace(r.PostFormValue("note"))}, nil
}

func (s *site) journalShow(w http.ResponseWriter, r *http.Request, status int, form entryForm, problem string) error {
	now, q := s.Now(), r.URL.Query()
	// Entries come oldest first; the page wants the newest first, so it asks
	// for a growing stretch of the past until there is a page full.
	entries, err := s.lastEntries(r, now)
	if err != nil {
		return err
	}
	places, err := s.known(r.Context())
	if err != nil {
		return err
	}
	p := journalPage{Form: form, Problem: problem, Saved: q.Get("saved") == "1" && problem == "", Token: s.token(w, r),
		NowLocal: now.In(s.homeZone()).Format(minuteLayout), Action: "/journal", MayWrite: visitorOf(r).may(writing), Draft: "outyard-journal"}
	if who := by(r); who != "" {
		p.Draft += "-" + who
	}
	if id := r.PathValue("id"); id != "" {
		_, before, err := s.entryAt(r)
		if err != nil {
			return err
		}
		p.Action, p.Fixing = "/journal/"+url.PathEscape(id), true
		for _, v := range before {
			row := entryRowOf(v.Entry, placeOf(places, v.Yard), now)
			row.FixURL, row.Note = "", strings.TrimSpace(row.Note+" (until "+whenText(v.Replaced, now, s.homeZone())+")")
			p.Before = append(p.Before, row)
		}
		w.Header().Set("Cache-Control", "no-store")
	}
	if p.Form.Time == "" {
		p.Form.Time = p.NowLocal
	}
	if p.Form.Kind == "" {
		p.Form.Kind = string(outyard.Visit)
	}
	for _, e := range slices.Backward(entries) {
		p.Entries = append(p.Entries, entryRowOf(e, placeOf(places, e.Yard), now))
	}
	hives := 0
	for _, pl := range places {
		hives += len(pl.Hives)
	}
	asked, askedHive, _ := strings.Cut(form.Place, "/")
	// A phone cannot scroll through thousands: what is not offered is reached
	// from the page of the yard or the hive, which leads here.
	for i, pl := range places {
		if i >= mostYardOptions && string(pl.ID) != asked {
			p.Partial = true
			continue
		}
		if hives > mostHiveOptions {
			p.Partial = true
			offered := min(len(pl.Hives), mostHiveOptions)
			if string(pl.ID) != asked {
				offered = 0
			}
			own := slices.IndexFunc(pl.Hives, func(h outyard.Hive) bool { return string(h.ID) == askedHive })
			if own >= offered && string(pl.ID) == asked {
				pl.Hives = append(slices.Clone(pl.Hives[:offered]), pl.Hives[own])
			} else {
				pl.Hives = pl.Hives[:offered]
			}
		}
		y := yardOption{ID: string(pl.ID), Name: pl.name()}
		y.Hives = append(y.Hives, option{y.ID, "the whole yard", y.ID == form.Place})
		for _, h := range pl.Hives {
			v := y.ID + "/" + string(h.ID)
			y.Hives = append(y.Hives, option{v, pl.hiveName(h.ID), v == form.Place})
		}
		p.Yards = append(p.Yards, y)
	}
	for _, k := range outyard.EntryKinds {
		p.Kinds = append(p.Kinds, option{string(k), entryTexts[k], string(k) == p.Form.Kind})
	}
	for _, part := range []string{"deep-10", "medium-10", "shallow-10", "deep-8", "medium-8", "shallow-8"} {
		p.Parts = append(p.Parts, option{part, outyard.Part(part).Plain(), part == form.Part})
	}
	return s.show(w, r, status, "journal", frame{Title: "Journal", Here: "journal", Honey: true, Page: p})
}

func (s *site) lastEntries(r *http.Request, now time.Time) ([]outyard.Entry, error) {
	for _, back := range []int{30, 365, 10000} {
		es, _, err := s.store.Entries(r.Context(), Query{From: now.AddDate(0, 0, -back)})
		if err != nil {
			return nil, fmt.Errorf("journal: %w", err)
		}
		if len(es) >= entriesPerPage || back == 10000 {
			return es[max(0, len(es)-entriesPerPage):], nil
		}
	}
	return nil, nil
}

// journalAdd keeps a new entry.
func (s *site) journalAdd(w http.ResponseWriter, r *http.Request) error {
	return s.journalTake(w, r, func(e outyard.Entry) error {
		_, err := s.addEntry(r, e)
		return err
	})
}

// journalTake keeps the entry in the form, or shows the form again with what
// is wrong and with everything that was typed.
func (s *site) journalTake(w http.ResponseWriter, r *http.Request, keep func(outyard.Entry) error) error {
	form, err := s.formOf(r)
	if err != nil {
		return err
	}
	if !s.ours(r) {
		return s.journalShow(w, r, http.StatusForbidden, form, "The form was too old, so nothing was written yet. Everything you typed is still here: press the button once more.")
	}
	e, err := s.entryOf(form)
	if err != nil {
		return s.journalShow(w, r, http.StatusUnprocessableEntity, form, sentence(err.Error())+".")
	}
	if err := keep(e); err != nil {
		return err
	}
	http.Redirect(w, r, "/journal?"+url.Values{"saved": {"1"}, "yard": {string(e.Yard)}}.Encode(), http.StatusSeeOther)
	return nil
}

func (s *site) addEntry(r *http.Request, e outyard.Entry) (outyard.Entry, error) {
	e.By = by(r)
	kept, err := s.store.AddEntry(r.Context(), e)
	if err != nil {
		return kept, fmt.Errorf("journal entry of %s/%s: %w", e.Yard, e.Hive, err)
	}
	s.Log.Info("journal entry written", "yard", e.Yard, "hive", e.Hive, "kind", e.Kind)
	s.JournalChanged(e.Yard)
	return kept, nil
}

// entryOf reads a form. Its errors are for the keeper.
func (s *site) entryOf(f entryForm) (outyard.Entry, error) {
	yard, hive, _ := strings.Cut(f.Place, "/")
	e := outyard.Entry{Yard: outyard.YardID(yard), Hive: outyard.HiveID(hive), Kind: outyard.EntryKind(f.Kind), Kg: outyard.Unknown, Part: f.Part, Note: f.Note}
	if yard == "" {
		return e, errors.New("choose the yard or the hive")
	}
	zone := time.UTC
	for _, y := range s.Yards() {
		if y.ID == e.Yard && y.Zone != nil {
			zone = y.Zone
		}
	}
	t, err := time.ParseInLocation(minuteLayout, f.Time, zone)
	if err != nil {
		return e, errors.New("write the time as 2027-05-14T15:04")
	}
	e.Time = t.UTC()
	if f.Kg != "" {
		if e.Kg, err = typedNumber(f.Kg); err != nil {
			return e, errors.New("write the weight in kilograms, such as 12.5, or leave it empty")
		}
	}
	if f.Index != "" {
		reading, err := typedNumber(f.Index)
		if err != nil {
			return e, errors.New("write the refractometer's reading as an index, such as 1.4915, or in Brix, such as 80.5, or leave it empty")
		}
		tempC := outyard.Unknown
		if f.IndexTemp != "" {
			if tempC, err = typedNumber(f.IndexTemp); err != nil {
				return e, errors.New("write the refractometer's temperature in °C, such as 22, or leave it empty")
			}
		}
		m, err := honey.Measure(reading, tempC)
		if err != nil {
			return e, err
		}
		e.Note = m.Noted(e.Note)
	}
	if err := s.checkEntry(e); err != nil {
		return e, err
	}
	return e, nil
}

// typedNumber reads a number as people type it: a decimal comma is how most of
// the world writes it.
func typedNumber(s string) (float64, error) {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(s), ",", ".", 1), 64)
	if err == nil && !outyard.Known(v) {
		err = strconv.ErrRange
	}
	return v, err
}

// checkEntry says what makes an entry unfit to be kept.
func (s *site) checkEntry(e outyard.Entry) error {
	if err := e.Check(); err != nil {
		return err
	}
	if e.Part != "" {
		if err := outyard.Part(e.Part).Check(); err != nil {
			return err
		}
	}
	switch {
	case e.Time.Sub(s.Now()) > outyard.MaxAhead:
		return errors.New("the time has not come yet: write what was done, not what is planned")
	case outyard.Known(e.Kg) && (e.Kg < -maxEntryKg || e.Kg > maxEntryKg):
		return fmt.Errorf("%g kg is more than a hive can hold: check the number", e.Kg)
	case utf8.RuneCountInString(e.Note) > maxNote:
		return fmt.Errorf("the note has more than %d characters: shorten it", maxNote)
	case !utf8.ValidString(e.Note):
		return errors.New("the note is not plain text")
	}
	return nil
}

// badCursor says whether the store did not know a cursor as its own.
func badCursor(err error) bool { return errors.Is(err, store.ErrBadCursor) }
