package main

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"image/png"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/http"
	netmail "net/mail"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector/senml"
	"outyard/configs"
	"outyard/simulator"
	"outyard/store"
	"outyard/store/sqlite"
)

// A swarmDay is the day of the swarm of swarmSeason: the days before are
// imported, its readings wait to be sent.
type swarmDay struct {
	file, data string
	live       []simulator.Sent
	clock      *dayClock
}

// newSwarmDay makes one; tell is the config's "tell", and whatever else.
func newSwarmDay(t *testing.T, tell string) *swarmDay {
	t.Helper()
	season, swarmed := swarmSeason()
	dir := t.TempDir()
	s := &swarmDay{file: filepath.Join(dir, "outyard.yaml"), data: filepath.Join(dir, "data"), clock: &dayClock{}}
	yards, err := seasonConfig(season.Yards())
	require.NoError(t, err)
	settings := fmt.Sprintf("listen: 127.0.0.1:0\ndata: %s\nmqtt:\n  embedded: {listen: \"127.0.0.1:0\"}\n%s", s.data, tell)
	require.NoError(t, os.WriteFile(s.file, append(yards, settings...), 0o600))
	var before []simulator.Sent
	for _, r := range arrivals(t, season) {
		switch {
		case r.Arrival.Before(swarmed.Add(-2 * time.Hour)):
			before = append(before, r)
		case r.Arrival.Before(swarmed.Add(90 * time.Minute)):
			s.live = append(s.live, r)
		}
	}
	writeReadings(t, filepath.Join(dir, "before.csv"), before)
	code, _, stderr := inProcess(t, "import", "--config", s.file, filepath.Join(dir, "before.csv"))
	require.Zero(t, code, stderr)
	s.clock.set(s.live[0].Arrival.Add(-time.Minute))
	return s
}

func (s *swarmDay) serve(t *testing.T) *served {
	t.Helper()
	cfg, err := configs.Load(s.file, nil)
	require.NoError(t, err)
	cfg.Data = s.data
	return serveBy(t, cfg, s.clock.now)
}

// send publishes the day's readings as the nodes do.
func (s *swarmDay) send(t *testing.T, d *served) {
	t.Helper()
	seesAt(t, d.pages+"/metrics", "outyard_alerts_rebuilds_total 1")
	node := connect(t, d.mqtt)
	for _, r := range s.live {
		s.clock.set(r.Arrival)
		require.NoError(t, wait(t.Context(), node.Publish(topicOf("", r.Reading), 1, false, senml.Encode([]outyard.Reading{r.Reading}))))
	}
}

// parts takes a mail apart, by type of content.
func parts(t *testing.T, letter string) map[string][]byte {
	t.Helper()
	m, err := netmail.ReadMessage(strings.NewReader(letter))
	require.NoError(t, err)
	out := map[string][]byte{}
	var walk func(kind, encoding string, body io.Reader)
	walk = func(kind, encoding string, body io.Reader) {
		kind, params, err := mime.ParseMediaType(kind)
		require.NoError(t, err)
		if !strings.HasPrefix(kind, "multipart/") {
			switch encoding {
			case "quoted-printable":
				body = quotedprintable.NewReader(body)
			case "base64":
				body = base64.NewDecoder(base64.StdEncoding, body)
			}
			out[kind], err = io.ReadAll(body)
			require.NoError(t, err)
			return
		}
		for r := multipart.NewReader(body, params["boundary"]); ; {
			p, err := r.NextRawPart()
			if err == io.EOF {
				return
			}
			require.NoError(t, err)
			walk(p.Header.Get("Content-Type"), p.Header.Get("Content-Transfer-Encoding"), p)
		}
	}
	walk(m.Header.Get("Content-Type"), m.Header.Get("Content-Transfer-Encoding"), m.Body)
	return out
}

func press(t *testing.T, address string, form url.Values) (int, string) {
	t.Helper()
	resp, err := http.PostForm(address, form)
	require.NoError(t, err)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp.StatusCode, string(b)
}

// TestASwarmIsAnsweredFromTheMail follows the links of a mail: looking changes
// nothing, pressing the button does, once; and what was the keeper's work is
// taken back.
func TestASwarmIsAnsweredFromTheMail(t *testing.T) {
	box := openMailbox(t)
	day := newSwarmDay(t, box.route())
	d := day.serve(t)
	day.send(t, d)
	require.True(t, within(patience, func() bool { return len(box.got()) == 1 }), "one mail")
	mail := parts(t, box.got()[0])

	picture, err := png.Decode(bytes.NewReader(mail["image/png"]))
	require.NoError(t, err, "the evidence is there to be seen")
	require.Equal(t, 1200, picture.Bounds().Dx())
	require.Regexp(t, `<img src="cid:swarm-heron-point_h02-\w+" alt="Weight, Old stump, `, string(mail["text/html"]))
	key, err := os.Stat(filepath.Join(day.data, linkKeyFile))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), key.Mode().Perm())

	link := func(words string) string {
		m := regexp.MustCompile(regexp.QuoteMeta(words) + `: (http://\S+/do/\S+)`).FindSubmatch(mail["text/plain"])
		require.NotNil(t, m, "%s in\n%s", words, mail["text/plain"])
		return string(m[1])
	}
	seen, mine := link("I will see to it"), link("That was me")
	state := func() (alert outyard.AlertState, swarm outyard.Finding) {
		db, err := sqlite.OpenForReading(t.Context(), day.data)
		require.NoError(t, err)
		defer db.Close()
		fs, _, err := db.Findings(t.Context(), store.Query{Kind: outyard.Swarm})
		require.NoError(t, err)
		require.Len(t, fs, 1)
		as, err := db.Alerts(t.Context())
		require.NoError(t, err)
		for _, a := range as {
			if a.Finding == fs[0].ID {
				alert = a.State
			}
		}
		return alert, fs[0]
	}
	require.True(t, within(patience, func() bool { a, _ := state(); return a == outyard.AlertTold }))

	for range 2 { // a program that looks through mail, and the keeper
		status, body, err := fetch(seen)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, status)
		require.Contains(t, body, "Nothing is noted before you press the button")
	}
	alert, _ := state()
	require.Equal(t, outyard.AlertTold, alert, "looking is not answering")
	status, body := press(t, seen, nil)
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, body, "Noted: you will see to it")
	alert, _ = state()
	require.Equal(t, outyard.AlertAcknowledged, alert)
	status, body = press(t, seen, nil)
	require.Equal(t, http.StatusGone, status)
	require.Contains(t, body, "has been used already")

	status, body = press(t, mine, nil)
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, body, "Choose what you did")
	status, body = press(t, mine, url.Values{"kind": {"split"}, "note": {"made a nucleus"}})
	require.Equal(t, http.StatusOK, status, "a mistake does not use it up")
	require.Contains(t, body, "Written down")
	require.True(t, within(patience, func() bool { _, f := state(); return f.State == outyard.Withdrawn }), "and it is no swarm any more")

	status, body, err = fetch(mine[:len(mine)-3])
	require.NoError(t, err)
	require.Equal(t, http.StatusNotFound, status)
	require.Contains(t, body, "not one of ours")
	day.clock.set(day.clock.now().Add(15 * 24 * time.Hour))
	status, body, err = fetch(mine)
	require.NoError(t, err)
	require.Equal(t, http.StatusGone, status)
	require.Contains(t, body, "too old")
	d.stop()
}

// TestKilledBetweenCommitAndSend takes the files as they lie when the daemon
// has stored a swarm and its message, and the mail server has been away for an
// hour: what starts on them sends one mail, and not another.
func TestKilledBetweenCommitAndSend(t *testing.T) {
	away, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := away.Addr().String()
	require.NoError(t, away.Close())
	q := url.Values{"from": {"hives@mail.example"}, "to": {"ann@mail.example"}}
	day := newSwarmDay(t, fmt.Sprintf("tell:\n  - name: me\n    to: [\"smtp://%s/?%s\"]\n    from: now\n", addr, q.Encode()))
	d := day.serve(t)
	day.send(t, d)
	seesAt(t, d.pages+"/metrics", "outyard_alerts_messages_failed_total 1")

	killed := t.TempDir()
	for _, name := range []string{sqlite.File, sqlite.File + "-wal", linkKeyFile} { // what kill -9 leaves
		b, err := os.ReadFile(filepath.Join(day.data, name))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(killed, name), b, 0o600))
	}
	day.clock.set(day.clock.now().Add(time.Hour))
	seesAt(t, d.pages+"/", "Not delivered", "connection refused")
	d.stop()

	box := openMailboxAt(t, addr)
	day.data = killed
	d = day.serve(t)
	require.True(t, within(patience, func() bool { return len(box.got()) == 1 }), "the mail goes out")
	require.Contains(t, box.got()[0], "Subject: Now: Heron Point: Old stump, swarm")
	seesAt(t, d.pages+"/metrics", "outyard_alerts_messages_sent_total 1")
	d.stop()
	d = day.serve(t)
	seesAt(t, d.pages+"/metrics", "outyard_alerts_rebuilds_total 1", "outyard_alerts_waiting_readings 0")
	d.stop()
	require.Len(t, box.got(), 1, "once")
}
