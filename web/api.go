package web

import (
	"context"
	_ "embed"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"outyard"
	"outyard/web/chart"
)

// An apiRoute is one address of the API. The document describes each, and a
// test holds the two together.
type apiRoute struct {
	Method, Path string
	Params       []string // what may stand in the query; anything else is a mistake worth telling
	Handle       func(http.ResponseWriter, *http.Request) (any, error)
}

func (s *site) apiRoutes() []apiRoute {
	list := func(more ...string) []string { return append(more, "limit", "cursor") }
	return []apiRoute{
		{"GET", "/api/v1/openapi.json", nil, s.apiDocument},
		{"GET", "/api/v1/yards", list(), s.apiYards},
		{"GET", "/api/v1/hives", list("yard"), s.apiHives},
		{"GET", "/api/v1/findings", list("from", "to", "yard", "hive", "kind", "state"), s.apiFindings},
		{"GET", "/api/v1/findings/{id}", nil, s.apiFinding},
		{"GET", "/api/v1/readings", list("from", "to", "yard", "hive"), s.apiReadings},
		{"GET", "/api/v1/series", []string{"from", "to", "yard", "hive", "quantity", "pixels", "work"}, s.apiSeries},
		{"GET", "/api/v1/daily", list("from", "to", "yard", "hive"), s.apiDaily},
		{"GET", "/api/v1/journal", list("from", "to", "yard", "hive", "kind"), s.apiJournal},
		{"POST", "/api/v1/journal", nil, s.apiJournalAdd},
		{"PUT", "/api/v1/journal/{id}", nil, s.apiJournalFix},
		{"GET", "/api/v1/round", nil, s.apiRound},
		{"GET", "/api/v1/alerts", list("from", "to", "yard", "hive", "kind", "state"), s.apiAlerts},
		{"GET", "/api/v1/alerts/history", list("from", "to", "yard", "hive", "kind", "state"), s.apiSteps},
		{"GET", "/api/v1/alerts/{id}/history", nil, s.apiHistory},
		{"POST", "/api/v1/alerts/{id}/acknowledge", nil, s.apiAcknowledge},
		{"POST", "/api/v1/alerts/{id}/snooze", nil, s.apiSnooze},
		{"GET", "/api/v1/nodes", list("yard"), s.apiNodes},
		{"GET", "/api/v1/settings", list(), s.apiSettings},
		{"GET", "/api/v1/refused", list("which"), s.apiRefused},
		{"POST", "/api/v1/refused/retry", nil, s.apiRefusedRetry},
		{"POST", "/api/v1/refused/forget", nil, s.apiRefusedForget},
	}
}

//go:embed openapi.json
var openapi []byte

// api answers with JSON: what the handler returns, or the problem.
func (s *site) api(route apiRoute) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		answer, err := func() (any, error) {
			for name, values := range r.URL.Query() {
				if !slices.Contains(route.Params, name) {
					if len(route.Params) == 0 {
						return nil, badRequest("%s takes nothing in the query", route.Path)
					}
					return nil, badRequest("%q is not known: %s takes %s", clip(name), route.Path, strings.Join(route.Params, ", "))
				}
				if len(values) > 1 {
					return nil, badRequest("%s is given %d times: once is right", name, len(values))
				}
			}
			return route.Handle(w, r)
		}()
		if err == nil && answer != nil {
			err = writeJSON(w, answer)
		}
		if err != nil && !errors.Is(err, context.Canceled) {
			p, known := problemOf(err)
			if !known {
				s.Log.Error("not answered", "path", r.URL.Path, "err", err)
			}
			writeProblem(w, p)
		}
	})
}

func writeJSON(w http.ResponseWriter, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("answer: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(append(b, '\n')) // who has left cannot be told
	return nil
}

// items is what every list answers.
type items[T any] struct {
	Items []T    `json:"items"`
	Next  string `json:"next"`
}

func itemsOf[T any](list []T, next string) items[T] {
	if list == nil {
		list = []T{}
	}
	return items[T]{list, next}
}

// The usual and the largest number of items in an answer.
const (
	usualLimit = 100
	mostLimit  = 1000
	// A reading is small and there are many.
	usualReadings = 1000
	mostReadings  = 10000
)

// asked reads what the lists have in common. A yard that nothing is known of
// is a mistake worth telling: it is more often mistyped than empty.
func (s *site) asked(r *http.Request, usual, most int) (Query, error) {
	q, err := queryOf(r, usual, most)
	if err != nil || q.Yard == "" {
		return q, err
	}
	known, err := s.knows(r.Context(), q.Yard)
	if err == nil && !known {
		err = notFound("there is no yard %q: /api/v1/yards lists those there are", q.Yard)
	}
	return q, err
}

// knows says whether a yard is in the config, or anything is kept of it. What
// is quick to ask is asked first.
func (s *site) knows(ctx context.Context, yard outyard.YardID) (bool, error) {
	if s.placeNamed(yard).Configured {
		return true, nil
	}
	one := Query{Yard: yard, Limit: 1}
	fs, _, err := s.store.Findings(ctx, one)
	if err != nil || len(fs) > 0 {
		return true, err
	}
	days, _, err := s.store.Days(ctx, one)
	if err != nil || len(days) > 0 {
		return true, err
	}
	es, _, err := s.store.Entries(ctx, one)
	if err != nil || len(es) > 0 {
		return true, err
	}
	newest, err := s.store.Newest(ctx)
	return slices.ContainsFunc(newest, func(r outyard.Reading) bool { return r.Yard == yard }), err
}

// queryOf reads the query of a list.
func queryOf(r *http.Request, usual, most int) (Query, error) {
	v := r.URL.Query()
	q := Query{Yard: outyard.YardID(v.Get("yard")), Hive: outyard.HiveID(v.Get("hive")), Kind: outyard.Kind(v.Get("kind")),
		State: outyard.State(v.Get("state")), Limit: usual, After: v.Get("cursor")}
	if q.Yard != "" {
		if err := q.Yard.Check(); err != nil {
			return q, badRequest("%v", err)
		}
	}
	if q.Hive != "" {
		if err := q.Hive.Check(); err != nil {
			return q, badRequest("%v", err)
		}
	}
	var err error
	if q.From, err = moment(v.Get("from"), false); err != nil {
		return q, badRequest("from: %v", err)
	}
	if q.To, err = moment(v.Get("to"), true); err != nil {
		return q, badRequest("to: %v", err)
	}
	if !q.From.IsZero() && !q.To.IsZero() && !q.From.Before(q.To) {
		return q, badRequest("from %s is not before to %s", v.Get("from"), v.Get("to"))
	}
	if l := v.Get("limit"); l != "" {
		n, err := strconv.Atoi(l)
		if err != nil || n < 1 || n > most {
			return q, badRequest("limit %q: want 1 to %d", clip(l), most)
		}
		q.Limit = n
	}
	return q, nil
}

// moment reads RFC 3339, or a date: the start of it in UTC, or, as the end of
// a stretch, the end of it, so that from=D&to=D is that day. What lies outside
// what a yard can know is drawn in to it.
func moment(s string, end bool) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		d, derr := outyard.ParseDate(s)
		if derr != nil {
			return time.Time{}, fmt.Errorf("%q: want RFC 3339, as 2027-05-14T13:00:00Z, or a date, as 2027-05-14", clip(s))
		}
		t = d.Start(time.UTC)
		if end {
			t = d.Add(1).Start(time.UTC)
		}
	}
	t = t.UTC()
	latest := time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC) // beyond it instants no longer fit 64 bits of nanoseconds
	if t.After(latest) {
		return latest, nil
	}
	if t.Before(outyard.Earliest) {
		// A second of room, so that a whole stretch before it is empty, not reversed.
		if end {
			return outyard.Earliest.Add(time.Second), nil
		}
		return outyard.Earliest, nil
	}
	return t, nil
}

func (s *site) apiDocument(w http.ResponseWriter, _ *http.Request) (any, error) {
	return json.RawMessage(openapi), nil
}

type yardJSON struct {
	ID          outyard.YardID `json:"id"`
	Name        string         `json:"name"`
	Latitude    *float64       `json:"latitude,omitempty"`
	Longitude   *float64       `json:"longitude,omitempty"`
	Timezone    string         `json:"timezone"`
	TripMinutes *float64       `json:"trip_minutes,omitempty"`
	Hives       int            `json:"hives"`
	Configured  bool           `json:"configured"`
}

func (s *site) apiYards(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, usualLimit, mostLimit)
	if err != nil {
		return nil, err
	}
	newest, err := s.store.Newest(r.Context())
	if err != nil {
		return nil, err
	}
	var out []yardJSON
	for _, p := range s.places(newest) {
		y := yardJSON{ID: p.ID, Name: p.name(), Timezone: p.zone().String(), Hives: len(p.Hives), Configured: p.Configured}
		if p.Configured {
			y.Latitude, y.Longitude = &p.Latitude, &p.Longitude
		}
		if p.TripMinutes > 0 {
			y.TripMinutes = &p.TripMinutes
		}
		out = append(out, y)
	}
	return paged(out, q)
}

type hiveJSON struct {
	Yard      outyard.YardID `json:"yard"`
	ID        outyard.HiveID `json:"id"`
	Name      string         `json:"name"`
	Equipment []outyard.Part `json:"equipment"`
	Newest    any            `json:"newest"` // a reading, or null
}

func (s *site) apiHives(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, usualLimit, mostLimit)
	if err != nil {
		return nil, err
	}
	newest, err := s.store.Newest(r.Context())
	if err != nil {
		return nil, err
	}
	last := newestOf(newest)
	var out []hiveJSON
	for _, p := range s.places(newest) {
		if q.Yard != "" && p.ID != q.Yard {
			continue
		}
		for _, h := range p.Hives {
			j := hiveJSON{Yard: p.ID, ID: h.ID, Name: p.hiveName(h.ID), Equipment: h.Equipment}
			if j.Equipment == nil {
				j.Equipment = []outyard.Part{}
			}
			if rd, ok := last[hiveAt{p.ID, h.ID}]; ok {
				j.Newest = readingJSON(rd)
			}
			out = append(out, j)
		}
	}
	return paged(out, q)
}

// paged cuts a list that is whole in memory.
func paged[T any](all []T, q Query) (any, error) {
	some, next, err := cut(all, q)
	if err != nil {
		return nil, err
	}
	return itemsOf(some, next), nil
}

// cut is the part of a whole list that was asked for; its cursor is how far
// it came.
func cut[T any](all []T, q Query) (some []T, next string, err error) {
	start := 0
	if q.After != "" {
		n, err := strconv.Atoi(q.After)
		if err != nil || n < 0 || n > len(all) {
			return nil, "", badRequest("cursor is not one that this list gave: leave it out to begin anew")
		}
		start = n
	}
	end := min(start+q.Limit, len(all))
	if end < len(all) {
		next = strconv.Itoa(end)
	}
	return all[start:end], next, nil
}

func (s *site) apiFindings(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, usualLimit, mostLimit)
	if err != nil {
		return nil, err
	}
	if err := oneOf("kind", q.Kind, outyard.Kinds); err != nil {
		return nil, err
	}
	if err := oneOf("state", q.State, []outyard.State{outyard.Open, outyard.Over, outyard.Withdrawn}); err != nil {
		return nil, err
	}
	fs, next, err := s.store.Findings(r.Context(), q)
	if err != nil {
		return nil, err
	}
	return itemsOf(fs, next), nil
}

// oneOf says what is wrong with a parameter that has to be one of a few words,
// or left out.
func oneOf[T ~string](name string, v T, words []T) error {
	if v == "" || slices.Contains(words, v) {
		return nil
	}
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = string(w)
	}
	return badRequest("%s %q: want one of %s", name, clip(string(v)), strings.Join(out, ", "))
}

func (s *site) apiFinding(_ http.ResponseWriter, r *http.Request) (any, error) {
	f, ok, err := s.store.Finding(r.Context(), r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	if !ok {
		return nil, notFound("there is no finding %q", clip(r.PathValue("id")))
	}
	return f, nil
}

// readingJSON is a reading by the names of the readings file; what is not
// known is absent.
func readingJSON(r outyard.Reading) map[string]any {
	m := map[string]any{"time": r.Time.UTC().Format(time.RFC3339), "yard": r.Yard, "hive": r.Hive}
	for q := range outyard.NumQuantities {
		if v := r.Values[q]; outyard.Known(v) {
			m[q.Info().Column] = v
		}
	}
	return m
}

var errEnough = errors.New("enough")

// apiReadings gives readings in order of time, yard and hive. The cursor is
// the last one given: it stays right while new readings come in.
func (s *site) apiReadings(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, usualReadings, mostReadings)
	if err != nil {
		return nil, err
	}
	limit, cursor := q.Limit, q.After
	q.Limit, q.After = 0, ""
	var after outyard.Reading
	if cursor != "" {
		if after, err = parseCursor(cursor); err != nil {
			return nil, err
		}
		if after.Time.After(q.From) {
			q.From = after.Time
		}
	}
	var out []map[string]any
	next := ""
	var last outyard.Reading
	err = s.store.EachReading(r.Context(), q, func(rd outyard.Reading) error {
		if cursor != "" && !later(rd, after) {
			return nil
		}
		if len(out) == limit {
			next = cursorOf(last)
			return errEnough
		}
		out, last = append(out, readingJSON(rd)), rd
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	return itemsOf(out, next), nil
}

func later(a, b outyard.Reading) bool {
	if c := a.Time.Compare(b.Time); c != 0 {
		return c > 0
	}
	if a.Yard != b.Yard {
		return a.Yard > b.Yard
	}
	return a.Hive > b.Hive
}

func cursorOf(r outyard.Reading) string {
	return base64.RawURLEncoding.EncodeToString(fmt.Appendf(nil, "%d/%s/%s", r.Time.Unix(), r.Yard, r.Hive))
}

func parseCursor(s string) (outyard.Reading, error) {
	bad := badRequest("cursor is not one that this list gave: leave it out to begin anew")
	b, err := base64.RawURLEncoding.DecodeString(s)
	if err != nil {
		return outyard.Reading{}, bad
	}
	parts := strings.Split(string(b), "/")
	if len(parts) != 3 {
		return outyard.Reading{}, bad
	}
	unix, err := strconv.ParseInt(parts[0], 10, 64)
	if err != nil || time.Unix(unix, 0).Before(outyard.Earliest) || unix > time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC).Unix() {
		return outyard.Reading{}, bad
	}
	return outyard.NewReading(outyard.YardID(parts[1]), outyard.HiveID(parts[2]), time.Unix(unix, 0)), nil
}

type bucketJSON struct {
	From    time.Time `json:"from"`
	FirstAt time.Time `json:"first_at"`
	First   float64   `json:"first"`
	LastAt  time.Time `json:"last_at"`
	Last    float64   `json:"last"`
	MinAt   time.Time `json:"min_at"`
	Min     float64   `json:"min"`
	MaxAt   time.Time `json:"max_at"`
	Max     float64   `json:"max"`
}

// The usual and the largest number of buckets of a series.
const (
	usualPixels = 400
	mostPixels  = 4000
)

// apiSeries gives one quantity as a chart needs it.
func (s *site) apiSeries(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, 0, 0)
	if err != nil {
		return nil, err
	}
	v := r.URL.Query()
	quantity, ok := outyard.ParseQuantity(v.Get("quantity"))
	inside, outside := v.Get("quantity") == insideVapour, v.Get("quantity") == outsideVapour
	if !ok && !inside && !outside {
		var names []string
		for k := range outyard.NumQuantities {
			names = append(names, k.String())
		}
		names = append(names, insideVapour, outsideVapour)
		return nil, badRequest("quantity %q: want one of %s", clip(v.Get("quantity")), strings.Join(names, ", "))
	}
	pixels := usualPixels
	if p := v.Get("pixels"); p != "" {
		if pixels, err = strconv.Atoi(p); err != nil || pixels < 1 || pixels > mostPixels {
			return nil, badRequest("pixels %q: want 1 to %d", clip(p), mostPixels)
		}
	}
	switch {
	case q.Yard == "":
		return nil, badRequest("yard is missing")
	case q.From.IsZero() || q.To.IsZero():
		return nil, badRequest("from and to are both needed")
	}
	switch v.Get("work") {
	case "", "in", "out":
	default:
		return nil, badRequest("work %q: want in or out", clip(v.Get("work")))
	}
	var bs []chart.Bucket
	switch {
	case inside && q.Hive == "":
		return nil, badRequest("hive is missing: %s is a hive's", insideVapour)
	case inside:
		bs, err = s.vapour(r.Context(), q.Yard, q.Hive, q.From, q.To, pixels)
	case outside:
		bs, err = s.vapour(r.Context(), q.Yard, "", q.From, q.To, pixels)
	default:
		bs, err = s.buckets(r.Context(), q.Yard, q.Hive, quantity, q.From, q.To, pixels)
	}
	if err != nil {
		return nil, err
	}
	if v.Get("work") == "out" && ok && quantity == outyard.Weight {
		found, err := s.foundIn(r.Context(), q.Yard, q.Hive, span{From: q.From, To: q.To, zone: time.UTC})
		if err != nil {
			return nil, err
		}
		bs = chart.LeaveOut(bs, workOf(found))
	}
	out := make([]bucketJSON, len(bs))
	for i, b := range bs {
		out[i] = bucketJSON{b.From.UTC(), b.FirstAt.UTC(), b.First, b.LastAt.UTC(), b.Last, b.MinAt.UTC(), b.Min, b.MaxAt.UTC(), b.Max}
	}
	return itemsOf(out, ""), nil
}

func (s *site) apiDaily(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, usualLimit, mostLimit)
	if err != nil {
		return nil, err
	}
	days, next, err := s.store.Days(r.Context(), q)
	if err != nil {
		return nil, err
	}
	out := make([]map[string]any, len(days))
	for i, d := range days {
		m := map[string]any{"date": d.Date.String(), "yard": d.Yard, "hive": d.Hive}
		for _, c := range slices.Concat(dailyColumns, wallColumns) {
			if v := c.of(d); outyard.Known(v) {
				m[c.name] = v
			}
		}
		out[i] = m
	}
	return itemsOf(out, next), nil
}

func (s *site) apiJournal(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, usualLimit, mostLimit)
	if err != nil {
		return nil, err
	}
	if err := oneOf("kind", outyard.EntryKind(q.Kind), outyard.EntryKinds); err != nil {
		return nil, err
	}
	es, next, err := s.store.Entries(r.Context(), q)
	if err != nil {
		return nil, err
	}
	return itemsOf(es, next), nil
}

// apiJournalAdd keeps an entry. It wants JSON by its media type: a browser
// that another site tricks cannot send that without asking us first.
func (s *site) apiJournalAdd(w http.ResponseWriter, r *http.Request) (any, error) {
	e, err := s.entrySent(r)
	if err != nil {
		return nil, err
	}
	kept, err := s.addEntry(r, e)
	if err != nil {
		return nil, err
	}
	b, err := json.Marshal(kept)
	if err != nil {
		return nil, fmt.Errorf("answer: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(http.StatusCreated)
	_, _ = w.Write(append(b, '\n')) // who has left cannot be told
	return nil, nil
}

// entrySent reads an entry out of a request.
func (s *site) entrySent(r *http.Request) (outyard.Entry, error) {
	if mt, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || mt != "application/json" {
		return outyard.Entry{}, &problemError{http.StatusUnsupportedMediaType, "send the entry as application/json"}
	}
	var e outyard.Entry
	if err := json.NewDecoder(r.Body).Decode(&e); err != nil {
		var tooBig *http.MaxBytesError
		if errors.As(err, &tooBig) {
			return outyard.Entry{}, &problemError{http.StatusRequestEntityTooLarge, fmt.Sprintf("an entry may have up to %d bytes", maxBody)}
		}
		return outyard.Entry{}, badRequest("entry: %v", err)
	}
	if e.ID != "" {
		return outyard.Entry{}, badRequest("id is given by the journal: leave it out")
	}
	if err := s.checkEntry(e); err != nil {
		return outyard.Entry{}, &problemError{http.StatusUnprocessableEntity, err.Error()}
	}
	return e, nil
}

// apiJournalFix puts an entry in the place of one that is there.
func (s *site) apiJournalFix(_ http.ResponseWriter, r *http.Request) (any, error) {
	e, err := s.entrySent(r)
	if err != nil {
		return nil, err
	}
	versions, err := s.store.EntryVersions(r.Context(), r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	if len(versions) == 0 {
		return nil, notFound("there is no journal entry %q", clip(r.PathValue("id")))
	}
	e.ID = r.PathValue("id")
	if err := s.fixEntry(r, versions[len(versions)-1].Entry, e); err != nil {
		return nil, err
	}
	return e, nil
}
