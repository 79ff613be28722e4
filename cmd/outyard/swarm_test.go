package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector/csvfile"
	"outyard/collector/senml"
	"outyard/configs"
	"outyard/simulator"
	"outyard/store"
	"outyard/store/sqlite"
)

// A mailbox is a mail server with what it was sent.
type mailbox struct {
	addr string

	mu      sync.Mutex
	letters []string
}

func openMailbox(t *testing.T) *mailbox { return openMailboxAt(t, "127.0.0.1:0") }

func openMailboxAt(t *testing.T, addr string) *mailbox {
	t.Helper()
	socket, err := net.Listen("tcp", addr)
	require.NoError(t, err)
	box := &mailbox{addr: socket.Addr().String()}
	server := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return letterBox{box}, nil }))
	server.Domain = "localhost"
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(socket) }()
	t.Cleanup(func() {
		require.NoError(t, server.Close())
		if err := <-ended; !errors.Is(err, smtp.ErrServerClosed) {
			require.NoError(t, err)
		}
	})
	return box
}

func (b *mailbox) got() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.letters...)
}

// route is a line below "tell" that sends everything there.
func (b *mailbox) route() string {
	q := url.Values{"from": {"hives@mail.example"}, "to": {"ann@mail.example"}}
	return fmt.Sprintf("tell:\n  - name: me\n    to: [\"smtp://%s/?%s\"]\n    yards: [\"*\"]\n    from: now\n", b.addr, q.Encode())
}

type letterBox struct{ *mailbox }

func (letterBox) Mail(string, *smtp.MailOptions) error { return nil }
func (letterBox) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (letterBox) Reset()                               {}
func (letterBox) Logout() error                        { return nil }
func (l letterBox) Data(r io.Reader) error {
	letter, err := io.ReadAll(r)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.letters = append(l.letters, string(letter))
	return err
}

// A dayClock shows a time of our choosing, and goes on from there.
type dayClock struct {
	mu        sync.Mutex
	at, since time.Time
}

func (c *dayClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at.Add(time.Since(c.since))
}

// set puts the clock on, never back.
func (c *dayClock) set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := time.Now(); at.After(c.at.Add(now.Sub(c.since))) {
		c.at, c.since = at, now
	}
}

// A served daemon runs in this process, by a clock of our own.
type served struct {
	pages, mqtt string
	log         logBook
	stop        func()
}

func serveBy(t *testing.T, cfg configs.Config, now func() time.Time) *served {
	t.Helper()
	s := &served{}
	ctx, cancel := context.WithCancel(context.Background())
	ended, ready := make(chan error, 1), make(chan struct{})
	go func() {
		ended <- serve(ctx, cfg, daemon{log: slog.New(slog.NewJSONHandler(&s.log, nil)), now: now, ready: func(pages, mqtt net.Addr) {
			s.pages, s.mqtt = "http://"+pages.String(), mqtt.String()
			close(ready)
		}})
	}()
	s.stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-ended:
			require.NoError(t, err, "a stop that was asked for is no error")
		case <-time.After(patience):
			t.Error("the daemon has not stopped")
		}
	})
	t.Cleanup(func() {
		s.stop()
		if t.Failed() {
			t.Logf("log of the daemon:\n%s", s.log.String())
		}
	})
	select {
	case <-ready:
	case err := <-ended:
		ended <- err
		t.Fatalf("the daemon ended before it was ready: %v", err)
	case <-time.After(patience):
		t.Fatal("the daemon is not ready")
	}
	return s
}

// swarmSeason is twelve days in May in one yard; on the seventh a hive swarms.
func swarmSeason() (season simulator.Scenario, swarmed time.Time) {
	for _, s := range seasons {
		if s.name == "may-swarm" {
			return simulator.Invent(s.seed, s.options), time.Date(2026, time.May, 20, 19, 30, 0, 0, time.UTC)
		}
	}
	return simulator.Scenario{}, time.Time{}
}

// arrivals is what a season sends, in order of arrival.
func arrivals(t *testing.T, season simulator.Scenario) []simulator.Sent {
	t.Helper()
	var all []simulator.Sent
	_, err := season.Send(func(s simulator.Sent) error { all = append(all, s); return nil })
	require.NoError(t, err)
	require.NotEmpty(t, all)
	return all
}

func writeReadings(t *testing.T, path string, sent []simulator.Sent) {
	t.Helper()
	var file bytes.Buffer
	rows := csvfile.NewWriter(&file)
	for _, s := range sent {
		require.NoError(t, rows.Write(s.Reading))
	}
	require.NoError(t, rows.Flush())
	require.NoError(t, os.WriteFile(path, file.Bytes(), 0o600))
}

// inProcess runs a command in this process.
func inProcess(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, complaints bytes.Buffer
	code = run(t.Context(), args, nil, &out, &complaints)
	return code, out.String(), complaints.String()
}

// TestASwarmIsToldOnce follows a reading from the node to the mail: the days
// before are imported, the day of the swarm comes over MQTT.
func TestASwarmIsToldOnce(t *testing.T) {
	season, swarmed := swarmSeason()
	dir, box := t.TempDir(), openMailbox(t)
	yards, err := seasonConfig(season.Yards())
	require.NoError(t, err)
	file := filepath.Join(dir, "outyard.yaml")
	settings := fmt.Sprintf("listen: 127.0.0.1:0\ndata: %s\nmqtt:\n  embedded: {listen: \"127.0.0.1:0\"}\n%s", filepath.Join(dir, "data"), box.route())
	require.NoError(t, os.WriteFile(file, append(yards, settings...), 0o600))
	cfg, err := configs.Load(file, nil)
	require.NoError(t, err)

	var before, live []simulator.Sent
	for _, s := range arrivals(t, season) {
		switch {
		case s.Arrival.Before(swarmed.Add(-2 * time.Hour)):
			before = append(before, s)
		case s.Arrival.Before(swarmed.Add(90 * time.Minute)):
			live = append(live, s)
		}
	}
	writeReadings(t, filepath.Join(dir, "before.csv"), before)
	code, _, stderr := inProcess(t, "import", "--config", file, filepath.Join(dir, "before.csv"))
	require.Zero(t, code, stderr)

	clock := &dayClock{}
	clock.set(live[0].Arrival.Add(-time.Minute))
	d := serveBy(t, cfg, clock.now)
	seesAt(t, d.pages+"/metrics", "outyard_alerts_rebuilds_total 1") // it has read the days before

	const yard, hive = "heron-point", "h02"
	news := subscribe(t, d.mqtt, "outyard/findings/"+yard+"/"+hive)
	node := connect(t, d.mqtt)
	for _, s := range live {
		clock.set(s.Arrival)
		require.NoError(t, wait(t.Context(), node.Publish(topicOf("", s.Reading), 1, false, senml.Encode([]outyard.Reading{s.Reading}))))
	}
	var found []outyard.Finding
	awaits(t, news, func(m mqtt.Message) bool {
		require.NoError(t, json.Unmarshal(m.Payload(), &found))
		return len(found) > 0
	})
	require.Len(t, found, 1)
	swarm := found[0]
	require.Equal(t, outyard.Swarm, swarm.Kind)
	require.WithinDuration(t, swarmed, swarm.Onset, 30*time.Minute)
	require.LessOrEqual(t, swarm.ToldAt.Sub(swarmed), 2*15*time.Minute+time.Minute, "within two readings of the fall")

	require.True(t, within(patience, func() bool { return len(box.got()) == 1 }), "one mail")
	letter := box.got()[0]
	for _, words := range []string{"To: <ann@mail.example>", "Subject: Now: Heron Point: Old stump, swarm", "1.5 kg left the hive within 15 minutes"} {
		require.Contains(t, letter, words)
	}
	seesAt(t, d.pages+"/", "swarm", "Old stump")
	seesAt(t, d.pages+"/findings/"+swarm.ID, "2.2 kg left the hive within 30 minutes")
	seesAt(t, d.pages+"/api/v1/findings?kind=swarm", swarm.ID)
	// Whoever comes later is told by the broker what is open.
	later := awaits(t, subscribe(t, d.mqtt, "outyard/findings/"+yard+"/+"), func(m mqtt.Message) bool { return strings.HasSuffix(m.Topic(), hive) })
	require.True(t, later.Retained())
	require.Contains(t, string(later.Payload()), swarm.ID)
	d.stop()

	// The alert knows that it was told, and a restart tells nothing again.
	code, stdout, stderr := inProcess(t, "round", "--config", file, "--format", "csv", "--at", clock.now().UTC().Format(time.RFC3339))
	require.Zero(t, code, stderr)
	require.Regexp(t, "(?m)^heron-point,h02,now,swarm,2026-05-20T19:3", stdout)
	d = serveBy(t, cfg, clock.now)
	again := awaits(t, subscribe(t, d.mqtt, "outyard/findings/"+yard+"/"+hive), func(m mqtt.Message) bool { return m.Retained() || len(m.Payload()) > 2 })
	require.Contains(t, string(again.Payload()), swarm.ID, "the same finding, under its id")
	seesAt(t, d.pages+"/metrics", "outyard_alerts_rebuilds_total 1")
	// A further reading goes all the way, so whatever the restart may have
	// queued is out as well.
	clock.set(clock.now().Add(15 * time.Minute))
	last := live[len(live)-1].Reading
	last.Time = clock.now().UTC().Truncate(time.Second)
	require.NoError(t, wait(t.Context(), connect(t, d.mqtt).Publish(topicOf("", last), 1, false, senml.Encode([]outyard.Reading{last}))))
	seesAt(t, d.pages+"/metrics", "outyard_alerts_waiting_readings 0")
	d.stop()
	require.Len(t, box.got(), 1)

	db, err := sqlite.OpenForReading(t.Context(), cfg.Data)
	require.NoError(t, err)
	waiting, err := db.Undelivered(t.Context(), clock.now().Add(24*time.Hour))
	require.NoError(t, err)
	require.Empty(t, waiting, "nothing is left to be told")
	alerts, err := db.Alerts(t.Context())
	require.NoError(t, err)
	told := map[string]outyard.AlertState{}
	for _, a := range alerts {
		told[a.Finding] = a.State
	}
	require.Equal(t, outyard.AlertTold, told[swarm.ID])
	kept, _, err := db.Findings(t.Context(), store.Query{Kind: outyard.Swarm})
	require.NoError(t, errors.Join(err, db.Close()))
	require.Len(t, kept, 1)
	require.Equal(t, swarm.ToldAt, kept[0].ToldAt)
}

// connect connects as a node does.
func connect(t *testing.T, addr string) mqtt.Client {
	t.Helper()
	node := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetAutoReconnect(false).SetConnectTimeout(patience))
	require.NoError(t, wait(t.Context(), node.Connect()))
	t.Cleanup(func() { node.Disconnect(0) })
	return node
}
