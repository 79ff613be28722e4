package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"outyard"
)

// The season that start, pages and replay are measured with: a year of 30
// hives that ends today.
const (
	seasonYards = 6
	seasonHives = 5 // in each
	seasonDays  = 365
	seasonSeed  = "1"
)

// program builds the program outyard, once.
func (b *bench) program(ctx context.Context) (string, error) {
	if b.built != "" {
		return b.built, nil
	}
	path := filepath.Join(b.dir, "outyard")
	if out, err := exec.CommandContext(ctx, "go", "build", "-o", path, "outyard/cmd/outyard").CombinedOutput(); err != nil {
		return "", fmt.Errorf("build outyard: %w: %s", err, out)
	}
	b.built = path
	return path, nil
}

// runToEnd runs a command of outyard to its end, and says how long it took
// and how much processor time.
func (b *bench) runToEnd(ctx context.Context, env []string, args ...string) (took time.Duration, cpu time.Duration, err error) {
	program, err := b.program(ctx)
	if err != nil {
		return 0, 0, err
	}
	begun := time.Now()
	p, err := begin(ctx, "outyard "+args[0], env, program, args...)
	if err != nil {
		return 0, 0, err
	}
	err = p.end()
	return time.Since(begun), p.cmd.ProcessState.UserTime() + p.cmd.ProcessState.SystemTime(), err
}

// inventSeason writes the season's files, once.
func (b *bench) inventSeason(ctx context.Context) (dir string, err error) {
	if b.season != "" {
		return b.season, nil
	}
	dir = filepath.Join(b.dir, "season")
	start := outyard.DateOf(time.Now(), time.UTC).Add(-seasonDays)
	_, _, err = b.runToEnd(ctx, nil, "simulate", "--seed", seasonSeed, "--yards", strconv.Itoa(seasonYards), "--hives", strconv.Itoa(seasonHives),
		"--days", strconv.Itoa(seasonDays), "--start", start.String(), "--out", dir)
	if err == nil {
		b.season = dir
	}
	return dir, err
}

// serving is a daemon that runs.
type serving struct {
	*process
	pages, mqtt string
	readyAfter  time.Duration
}

// serve starts the daemon and waits until it says that it is ready.
func (b *bench) serve(ctx context.Context, config, data string) (*serving, error) {
	program, err := b.program(ctx)
	if err != nil {
		return nil, err
	}
	// Its log is on standard error: a pipe of our own tells when it is ready.
	begun := time.Now()
	p, err := begin(ctx, "outyard serve", []string{"OUTYARD_MQTT_EMBEDDED_LISTEN=127.0.0.1:0"}, "/bin/sh", "-c", `exec "$0" "$@" 2>&1`,
		program, "serve", "--config", config, "--data", data, "--listen", "127.0.0.1:0", "--log", "json")
	if err != nil {
		return nil, err
	}
	s := &serving{process: p}
	for {
		line, err := p.expect(ctx, "{")
		if err != nil {
			return nil, errors.Join(err, p.stop())
		}
		var entry struct{ Msg, Pages, MQTT string }
		if json.Unmarshal([]byte("{"+line), &entry) != nil || entry.Msg != "ready" {
			continue
		}
		s.pages, s.mqtt, s.readyAfter = strings.TrimSuffix(entry.Pages, "/"), entry.MQTT, time.Since(begun)
		break
	}
	go func() { // what it says from now on is of no interest
		for range p.lines {
		}
	}()
	status, _, err := s.get("/readyz")
	if err == nil && status != http.StatusOK {
		err = fmt.Errorf("said that it is ready, but /readyz says %d", status)
	}
	if err != nil {
		return nil, errors.Join(err, p.stop())
	}
	return s, nil
}

// get asks for a page.
func (s *serving) get(path string) (status int, body string, err error) {
	resp, err := http.Get(s.pages + path)
	if err != nil {
		return 0, "", err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	return resp.StatusCode, string(text), err
}

// metric is a number among the daemon's metrics.
func (s *serving) metric(name string) (float64, error) {
	_, body, err := s.get("/metrics")
	if err != nil {
		return 0, err
	}
	lines := bufio.NewScanner(strings.NewReader(body))
	for lines.Scan() {
		if v, ok := strings.CutPrefix(lines.Text(), name+" "); ok {
			return strconv.ParseFloat(v, 64)
		}
	}
	return 0, errors.Join(fmt.Errorf("no metric %s", name), lines.Err())
}

// evaluated waits until every yard has been evaluated from the store, and
// says how long that took.
func (s *serving) evaluated(ctx context.Context, yards int) (time.Duration, error) {
	const patience = 3 * time.Minute
	ctx, cancel := context.WithTimeoutCause(ctx, patience, fmt.Errorf("the yards were not evaluated within %s", patience))
	defer cancel()
	begun := time.Now()
	poll := time.NewTicker(50 * time.Millisecond)
	defer poll.Stop()
	for {
		n, err := s.metric("outyard_alerts_evaluations_total")
		if err != nil || n >= float64(yards) {
			return time.Since(begun), err
		}
		select {
		case <-poll.C:
		case <-ctx.Done():
			return 0, context.Cause(ctx)
		}
	}
}

// A place is where yards are.
type place struct {
	zone      string
	longitude int // degrees east
}

// writeConfig writes a config with so many yards of so many hives.
func writeConfig(path string, yards, hives int) error {
	return writeConfigAt(path, yards, hives, place{"America/Vancouver", -123})
}

func writeConfigAt(path string, yards, hives int, at place) error {
	var text strings.Builder
	text.WriteString("yards:\n")
	for y := range yards {
		fmt.Fprintf(&text, "  - {id: %s, latitude: 48.8, longitude: %d, timezone: %s, hives: [", loadYard(y), at.longitude, at.zone)
		for h := range hives {
			fmt.Fprintf(&text, "{id: %s}, ", loadHive(h))
		}
		text.WriteString("]}\n")
	}
	return os.WriteFile(path, []byte(text.String()), 0o644)
}
