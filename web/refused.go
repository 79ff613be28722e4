package web

import (
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"outyard"
)

// refusedPage is what came in and could not be used.
type refusedPage struct {
	Refused, Unplaced, Dropped int64
	Places                     []newPlace
	NotPlaced, NotRead         []refusedRow
	MoreNotPlaced, MoreNotRead int64
	CanRetry                   bool
	Token                      string
	Said                       string
	Problem                    string
}

// A newPlace is a yard or hive that sends but is not in the config, and the
// lines that would place it.
type newPlace struct {
	Name   string
	Count  int
	Where  string // in the config, in words
	Config string
}

type refusedRow struct {
	ID                   int64
	Topic, When, ISO     string
	Reason, Payload, Cut string
}

const (
	// A row is up to a kilobyte; a page stays below 150 KiB.
	refusedPerPage  = 40
	maxPayloadChars = 480
	maxPayloadBytes = 160 // shown as hexadecimal
	maxTopicChars   = 160
	maxReasonChars  = 300
	// So many are tried again at one press: the rest at the next.
	retryAtOnce = 1000
	mostPlaces  = 12
)

func (s *site) refused(w http.ResponseWriter, r *http.Request) error {
	said := ""
	if n, err := strconv.Atoi(r.URL.Query().Get("tried")); err == nil && n > 0 && n <= retryAtOnce {
		said = count(n, "message is", "messages are") + " being tried again. What can be read now is kept among the readings; what cannot comes back to this list."
	}
	return s.refusedShow(w, r, http.StatusOK, said, "")
}

func (s *site) refusedShow(w http.ResponseWriter, r *http.Request, status int, said, problem string) error {
	ctx := r.Context()
	v := refusedPage{Said: said, Problem: problem, CanRetry: s.Retry != nil && visitorOf(r).may(keeping), Token: s.token(w, r)}
	var err error
	if v.Refused, v.Unplaced, v.Dropped, err = s.store.RefusedCounts(ctx); err != nil {
		return fmt.Errorf("count refused messages: %w", err)
	}
	for _, unplaced := range []bool{true, false} {
		limit := refusedPerPage
		if unplaced {
			limit = retryAtOnce // enough to see every node that sends
		}
		list, err := s.store.Refused(ctx, 0, limit, &unplaced)
		if err != nil {
			return fmt.Errorf("refused messages: %w", err)
		}
		if unplaced {
			v.Places = s.newPlaces(list)
			v.NotPlaced = s.refusedRows(list[:min(len(list), refusedPerPage)])
		} else {
			v.NotRead = s.refusedRows(list)
		}
	}
	v.MoreNotPlaced, v.MoreNotRead = max(0, v.Unplaced-int64(len(v.NotPlaced))), max(0, v.Refused-int64(len(v.NotRead)))
	w.Header().Set("Cache-Control", "no-store")
	return s.show(w, r, status, "refused", frame{Title: "Refused and unplaced", Here: "refused", Page: v})
}

func (s *site) refusedRows(list []outyard.Refused) []refusedRow {
	now, zone := s.Now(), s.homeZone()
	out := make([]refusedRow, len(list))
	for i, m := range list {
		out[i] = refusedRow{ID: m.ID, Topic: cutTo(printable(m.Topic), maxTopicChars), When: whenText(m.Arrived, now, zone),
			ISO: m.Arrived.UTC().Format("2006-01-02T15:04:05Z"), Reason: cutTo(printable(m.Reason), maxReasonChars)}
		out[i].Payload, out[i].Cut = payloadText(m.Payload)
	}
	return out
}

// payloadText is a payload as it can be read by a person: text, or else
// hexadecimal, cut to a length that is said.
func payloadText(p []byte) (text, cut string) {
	if len(p) == 0 {
		return "", "empty"
	}
	if isText(p) {
		if utf8.RuneCount(p) > maxPayloadChars {
			cut = fmt.Sprintf("the first %d characters of %d bytes", maxPayloadChars, len(p))
		}
		return cutTo(string(p), maxPayloadChars), cut
	}
	cut = fmt.Sprintf("%d bytes in hexadecimal", len(p))
	if len(p) > maxPayloadBytes {
		cut = fmt.Sprintf("the first %d of %d bytes in hexadecimal", maxPayloadBytes, len(p))
		p = p[:maxPayloadBytes]
	}
	var b strings.Builder
	for i := 0; i < len(p); i += 2 {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(hex.EncodeToString(p[i:min(i+2, len(p))]))
	}
	return b.String(), cut
}

func isText(p []byte) bool {
	return utf8.Valid(p) && strings.IndexFunc(string(p), unprintable) < 0
}

// unprintable are the runes that would hide or turn around what is shown.
func unprintable(r rune) bool { return !unicode.IsPrint(r) && r != '\n' && r != '\r' && r != '\t' }

func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || unprintable(r) {
			return '�'
		}
		return r
	}, s)
}

func cutTo(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// newPlaces gathers the senders that have no place, in order of their newest
// message, with the lines of config that would place each.
func (s *site) newPlaces(list []outyard.Refused) []newPlace {
	type key struct {
		yard outyard.YardID
		hive outyard.HiveID
	}
	var order []key
	counts := map[key]int{}
	for _, m := range list {
		if m.Yard.Check() != nil || m.Hive != "" && m.Hive.Check() != nil {
			continue // no line of config can name it
		}
		k := key{m.Yard, m.Hive}
		if counts[k] == 0 {
			order = append(order, k)
		}
		counts[k]++
	}
	hives := map[outyard.YardID][]outyard.HiveID{} // of yards that are not in the config
	for _, k := range order {
		if k.hive != "" {
			hives[k.yard] = append(hives[k.yard], k.hive)
		}
	}
	var out []newPlace
	done := map[outyard.YardID]bool{}
	for _, k := range order {
		p := s.placeNamed(k.yard)
		switch {
		case p.Configured:
			out = append(out, newPlace{Name: "hive " + string(k.hive) + " at " + p.name(), Count: counts[k], Where: "below the hives of " + p.name(),
				Config: fmt.Sprintf("      - id: %s\n        name: %s", k.hive, k.hive)})
		case !done[k.yard]:
			done[k.yard] = true
			n := 0
			for _, o := range order {
				if o.yard == k.yard {
					n += counts[o]
				}
			}
			out = append(out, newPlace{Name: "yard " + string(k.yard), Count: n, Where: "below yards, with its own place on the map and its time zone",
				Config: yardLines(k.yard, hives[k.yard], s.homeZone().String())})
		}
		if len(out) == mostPlaces {
			break
		}
	}
	return out
}

func yardLines(yard outyard.YardID, hives []outyard.HiveID, zone string) string {
	b := fmt.Sprintf("  - id: %s\n    name: %s\n    latitude: 0.00\n    longitude: 0.00\n    timezone: %s", yard, sentence(strings.ReplaceAll(string(yard), "-", " ")), zone)
	for i, h := range hives {
		if i == 0 {
			b += "\n    hives:"
		}
		b += "\n      - id: " + string(h)
	}
	return b
}

// refusedRetry has messages tried again: one, or all of a sort.
func (s *site) refusedRetry(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	if err := r.ParseForm(); err != nil {
		return &pageError{http.StatusBadRequest, "The form could not be read. Go back and try again."}
	}
	if s.Retry == nil {
		return &pageError{http.StatusNotFound, "Messages cannot be tried again here."}
	}
	if !s.ours(r) {
		return s.refusedShow(w, r, http.StatusForbidden, "", "The form was too old, so nothing was tried yet. Press the button once more.")
	}
	var ids []int64
	switch which := r.PostFormValue("which"); which {
	case "unplaced", "unread":
		unplaced := which == "unplaced"
		list, err := s.store.Refused(ctx, 0, retryAtOnce, &unplaced)
		if err != nil {
			return fmt.Errorf("refused messages: %w", err)
		}
		for _, m := range list {
			ids = append(ids, m.ID)
		}
	default:
		id, err := strconv.ParseInt(which, 10, 64)
		if err != nil || id <= 0 {
			return s.refusedShow(w, r, http.StatusUnprocessableEntity, "", "Choose what to try again.")
		}
		ids = []int64{id}
	}
	if len(ids) == 0 {
		return s.refusedShow(w, r, http.StatusConflict, "", "There is nothing left to try again.")
	}
	if _, _, err := s.Retry(ctx, ids); errors.Is(err, ErrNotRefused) {
		return s.refusedShow(w, r, http.StatusConflict, "", "What was to be tried again is no longer here. This is what there is now.")
	} else if err != nil {
		return fmt.Errorf("try %d refused messages again: %w", len(ids), err)
	}
	http.Redirect(w, r, "/refused?tried="+strconv.Itoa(len(ids)), http.StatusSeeOther)
	return nil
}
