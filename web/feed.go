package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"outyard"
)

// A Feed tells open pages of readings as they are kept, so that whoever
// connects a node sees it arrive. It never makes the one who feeds it wait:
// a page that does not keep up misses some.
type Feed struct {
	mu   sync.Mutex
	open map[chan outyard.Reading]bool
	sent map[hiveAt]uint64 // how many readings were kept of each
}

// A hiveAt is a hive in its yard, or with no hive the yard's weather.
type hiveAt struct {
	yard outyard.YardID
	hive outyard.HiveID
}

// NewFeed returns a feed that nobody listens to yet.
func NewFeed() *Feed {
	return &Feed{open: map[chan outyard.Reading]bool{}, sent: map[hiveAt]uint64{}}
}

// Kept is told of readings that were just kept.
func (f *Feed) Kept(fresh []outyard.Reading) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, r := range fresh {
		f.sent[hiveAt{r.Yard, r.Hive}]++
	}
	for ch := range f.open {
		for _, r := range fresh {
			select {
			case ch <- r:
			default: // the page has enough to show already
			}
		}
	}
}

// kept is how many readings of a hive were kept since the start.
func (f *Feed) kept(at hiveAt) uint64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.sent[at]
}

// A page shows a handful of readings, and there are a handful of pages.
const (
	feedBuffer = 32
	mostFeeds  = 16
)

// listen returns what is kept from now on; false: too many listen already.
func (f *Feed) listen() (chan outyard.Reading, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.open) >= mostFeeds {
		return nil, false
	}
	ch := make(chan outyard.Reading, feedBuffer)
	f.open[ch] = true
	return ch, true
}

func (f *Feed) leave(ch chan outyard.Reading) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.open, ch)
}

// A stream ends before the server's patience with a slow reader does, and the
// browser comes back by itself, at once, if the page is still looked at.
const feedLength = writeTimeout - 10*time.Second

// stoppingKey is where Serve leaves the end of its own life in a request's
// context: a stream must not make it wait.
type stoppingKey struct{}

// events sends readings as they are kept, as server-sent events.
func (s *site) events(w http.ResponseWriter, r *http.Request) {
	if s.Feed == nil {
		plain(w, http.StatusNotFound, "readings are not shown as they come here: reload the page")
		return
	}
	if r.Method == http.MethodHead {
		w.Header().Set("Content-Type", "text/event-stream")
		w.Header().Set("Cache-Control", "no-store")
		return
	}
	ch, ok := s.Feed.listen()
	if !ok {
		w.Header().Set("Retry-After", "60")
		plain(w, http.StatusServiceUnavailable, "too many pages listen already: reload the page instead")
		return
	}
	defer s.Feed.leave(ch)
	stopping, _ := r.Context().Value(stoppingKey{}).(<-chan struct{})
	out := http.NewResponseController(w)
	send := func(text string) bool {
		_, err := w.Write([]byte(text))
		return err == nil && out.Flush() == nil
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(http.StatusOK)
	if !send("retry: 500\n\n") {
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), feedLength)
	defer cancel()
	for {
		select {
		case <-ctx.Done():
			return
		case <-stopping:
			return
		case rd := <-ch:
			b, err := json.Marshal(s.heardOf(rd))
			if err != nil {
				s.Log.Error("reading not shown", "yard", rd.Yard, "hive", rd.Hive, "err", err)
				continue
			}
			if !send("data: " + string(b) + "\n\n") {
				return
			}
		}
	}
}

// heard is a reading in words, for the page that waits for the first.
type heard struct {
	Name string `json:"name"`
	URL  string `json:"url"`
	Text string `json:"text"`
	At   string `json:"at"`
}

func (s *site) heardOf(r outyard.Reading) heard {
	p := s.placeNamed(r.Yard)
	h := heard{Name: "weather at " + p.name(), URL: yardURL(r.Yard), At: r.Time.In(p.zone()).Format("15:04:05")}
	if r.Hive != "" {
		h.Name, h.URL = p.hiveName(r.Hive)+" at "+p.name(), hiveURL(r.Yard, r.Hive)
	}
	var values []string
	for q := range outyard.NumQuantities {
		if v := r.Values[q]; outyard.Known(v) {
			values = append(values, fmt.Sprintf("%s %s %s", strings.ReplaceAll(q.String(), "-", " "), number(v, decimalsFor(v)), strings.ReplaceAll(q.Info().Unit, "%RH", "%")))
		}
	}
	h.Text = strings.Join(values, ", ")
	return h
}
