package webhook_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
	"outyard/alerts/webhook"
	"outyard/store"
	"outyard/store/sqlite"
)

const secret = "queen marked blue"

var noon = time.Date(2027, 5, 12, 19, 0, 0, 0, time.UTC)

// A receiver is a club's own program: it believes only what is signed with
// the secret, and each message once.
type receiver struct {
	*httptest.Server
	mu     sync.Mutex
	status int
	got    []webhook.Body
	seen   map[string]bool
	again  int
	posts  int
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{status: http.StatusNoContent, seen: map[string]bool{}}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.posts++
		body, err := io.ReadAll(req.Body)
		id, stamp := req.Header.Get("webhook-id"), req.Header.Get("webhook-timestamp")
		switch {
		case err != nil || req.Method != http.MethodPost || req.Header.Get("Content-Type") != "application/json":
			w.WriteHeader(http.StatusBadRequest)
		case req.Header.Get("webhook-signature") != "v1,"+webhook.Sign(secret, id, stamp, body):
			w.WriteHeader(http.StatusUnauthorized)
		case r.status/100 != 2:
			http.Error(w, "the barn is on fire", r.status)
		case r.seen[req.Header.Get("Idempotency-Key")]:
			r.again++
		default:
			var b webhook.Body
			if err := json.Unmarshal(body, &b); err != nil {
				w.WriteHeader(http.StatusBadRequest)
				return
			}
			r.seen[id] = true
			r.got = append(r.got, b)
			w.WriteHeader(r.status)
		}
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) address(secret string) string {
	return "webhook+" + r.URL + "/bees?token=s3cret#" + strings.ReplaceAll(secret, " ", "%20")
}

func swarm() outyard.Finding {
	return outyard.Finding{ID: "swarm-1", Kind: outyard.Swarm, Yard: "alder-slip", Hive: "h03", Onset: noon, ToldAt: noon,
		Severity: outyard.Now, Confidence: 0.9, Summary: "2.4 kg gone.", Advice: []string{"Go and look."}, Caution: []string{"No ladder alone."}, State: outyard.Open, Facts: map[string]any{"change_kg": -2.4}}
}

// The signature of a body that anybody can check with other tools:
// printf 'msg_1.1810148400.{"a":1}' | openssl dgst -sha256 -hmac key -binary | base64
func TestSignature(t *testing.T) {
	require.Equal(t, "jFPW83FvDkUEUcCe4tsc3OlHxwT998J3e0AYg8xsUG0=", webhook.Sign("key", "msg_1", "1810148400", []byte(`{"a":1}`)))
	require.Equal(t, webhook.Sign("key", "a", "b", nil), webhook.Sign("whsec_a2V5", "a", "b", nil), "a secret in the form of the specification")
}

func TestTheReceiverKnowsWhoSentWhat(t *testing.T) {
	r := newReceiver(t)
	c := webhook.Channel{Now: func() time.Time { return noon }}
	m := outyard.Message{Key: "me|0|swarm-1|raised", Route: "me", Subject: "Now: a swarm", Text: "2.4 kg gone.", About: []outyard.Finding{swarm()}}
	for range 2 {
		require.NoError(t, c.Deliver(t.Context(), m, r.address(secret)))
	}
	require.Len(t, r.got, 1)
	require.Equal(t, 1, r.again, "one that comes twice is known by its key")
	require.Equal(t, "outyard.findings", r.got[0].Type)
	require.Equal(t, noon, r.got[0].Timestamp)
	require.Equal(t, []outyard.Finding{swarm()}, r.got[0].Data.Findings)

	require.NoError(t, c.Deliver(t.Context(), outyard.Message{Key: "me|0|round|2027-05-12", Subject: "Round: …"}, r.address(secret)))
	require.Equal(t, "outyard.round", r.got[1].Type)

	err := c.Deliver(t.Context(), m, r.address("another"))
	require.True(t, alerts.IsPermanent(err))
	require.ErrorContains(t, err, "answered 401 Unauthorized: check the secret")
}

func TestErrorsSayWhatIsWrongAndNoSecret(t *testing.T) {
	r := newReceiver(t)
	c := webhook.Channel{Now: func() time.Time { return noon }}
	gone := httptest.NewServer(http.NotFoundHandler())
	gone.Close()
	elsewhere := httptest.NewServer(http.RedirectHandler(r.URL, http.StatusTemporaryRedirect))
	defer elsewhere.Close()
	for _, tt := range []struct {
		name, address string
		status        int
		want          string
		permanent     bool
	}{
		{"a receiver in trouble is tried again", r.address(secret), 500, `answered 500 Internal Server Error ("the barn is on fire")`, false},
		{"one that asks for patience, too", r.address(secret), 429, "429 Too Many Requests", false},
		{"a wrong path wants a person", r.address(secret), 404, "404 Not Found: check its address", true},
		{"nobody is there", "webhook+" + gone.URL + "/?token=s3cret#" + "s3cret", 204, "connection refused", false},
		{"one that sends us elsewhere", "webhook+" + elsewhere.URL + "#s3cret", 204, "307 Temporary Redirect: check its address", true},
		{"no secret", "webhook+" + r.URL, 204, "no secret behind a #", true},
		{"no address", "webhook+gopher://s3cret", 204, "want webhook+https://host/path", true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r.status = tt.status
			err := c.Deliver(t.Context(), outyard.Message{Key: "k", About: []outyard.Finding{swarm()}}, tt.address)
			require.ErrorContains(t, err, tt.want)
			require.NotContains(t, err.Error(), "s3cret")
			require.NotContains(t, err.Error(), "queen")
			require.Equal(t, tt.permanent, alerts.IsPermanent(err))
		})
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	err := c.Deliver(ctx, outyard.Message{Key: "k"}, r.address(secret))
	require.ErrorIs(t, err, context.Canceled)
	require.False(t, alerts.IsPermanent(err))
}

// Through the outbox: 500s are tried again, and what was meant arrives once.
func TestAReceiverThatWasInTroubleHearsOfItOnce(t *testing.T) {
	db, err := sqlite.Open(t.Context(), t.TempDir())
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	r, now := newReceiver(t), noon
	var log bytes.Buffer
	box := alerts.NewOutbox(db, alerts.OutboxOptions{
		Routes:   []alerts.Route{{Name: "club", To: []string{r.address(secret)}}},
		Yard:     func(outyard.YardID) (outyard.Yard, bool) { return outyard.Yard{}, false },
		Channels: map[string]alerts.Channel{"webhook": webhook.Channel{Now: func() time.Time { return now }}},
	}, func() time.Time { return now }, slog.New(slog.NewTextHandler(&log, nil)), prometheus.NewRegistry())
	require.NoError(t, db.Tell(t.Context(), store.News{Findings: []outyard.Finding{swarm()},
		Messages: []outyard.Message{{Key: "club|0|swarm-1|raised", Route: "club", Findings: []string{"swarm-1"}, Queued: now, Due: now}}}))
	r.status = http.StatusInternalServerError
	for range 5 {
		require.NoError(t, box.Deliver(t.Context()))
		now = now.Add(15 * time.Minute)
	}
	waiting, err := db.Undelivered(t.Context(), now)
	require.NoError(t, err)
	require.Len(t, waiting, 1, "nothing is lost")
	require.Contains(t, waiting[0].LastErr, "500 Internal Server Error")
	r.status = http.StatusOK
	for range 3 {
		require.NoError(t, box.Deliver(t.Context()))
		now = now.Add(15 * time.Minute)
	}
	require.Len(t, r.got, 1)
	require.Equal(t, 6, r.posts)
	require.NotContains(t, log.String(), "s3cret")
}

func TestAlertmanager(t *testing.T) {
	var path string
	var got []map[string]any
	srv := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, req *http.Request) {
		path = req.URL.Path
		if err := json.NewDecoder(req.Body).Decode(&got); err != nil {
			t.Errorf("not JSON: %v", err)
		}
	}))
	defer srv.Close()
	a := webhook.Alertmanager{Now: func() time.Time { return noon }}
	over := swarm()
	over.Kind, over.Hive, over.State = outyard.Silent, "", outyard.Over
	require.NoError(t, a.Deliver(t.Context(), outyard.Message{About: []outyard.Finding{swarm(), over}}, "alertmanager+"+srv.URL))
	require.Equal(t, "/api/v2/alerts", path)
	require.Equal(t, map[string]any{"alertname": "swarm", "yard": "alder-slip", "hive": "h03", "severity": "now", "finding": "swarm-1"}, got[0]["labels"])
	require.Equal(t, "2.4 kg gone.", got[0]["annotations"].(map[string]any)["summary"])
	require.Equal(t, "2027-05-12T19:00:00Z", got[0]["startsAt"])
	require.Equal(t, "2027-05-19T19:00:00Z", got[0]["endsAt"], "open: it stays")
	require.NotContains(t, got[1]["labels"], "hive")
	require.Equal(t, "2027-05-12T19:00:00Z", got[1]["endsAt"], "over: it ends now")
	path = ""
	require.NoError(t, a.Deliver(t.Context(), outyard.Message{Key: "me|0|round|2027-05-12"}, "alertmanager+"+srv.URL))
	require.Empty(t, path, "a round is no alert")
}
