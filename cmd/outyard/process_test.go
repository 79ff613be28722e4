package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
)

const (
	// patience is how long a test waits for what must come, many times what it
	// takes; often is how often it looks.
	patience = time.Minute
	often    = 10 * time.Millisecond
)

// A process is a daemon: the built program, in a folder of its own.
type process struct {
	t           *testing.T
	cmd         *exec.Cmd
	pages, mqtt string // addresses, by its line "ready"
	log         logBook
	ended       chan struct{}
}

// startDaemon starts "outyard serve" in dir on free ports and waits until it is
// ready. What is to be in its environment is given as KEY=VALUE.
func startDaemon(t *testing.T, dir string, env ...string) *process {
	t.Helper()
	return startDaemonAt(t, "127.0.0.1:0", dir, env...)
}

// startDaemonAt does so with its pages at an address.
func startDaemonAt(t *testing.T, listen, dir string, env ...string) *process {
	t.Helper()
	p := &process{t: t, cmd: exec.Command("outyard", "serve", "--log", "json", "--listen", listen), ended: make(chan struct{})}
	p.cmd.Dir = dir
	p.cmd.Env = append(plainEnv(), env...)
	stderr, err := p.cmd.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, p.cmd.Start())
	ready := make(chan logLine, 1)
	go func() {
		defer close(p.ended)
		lines := bufio.NewScanner(stderr)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			if l := p.log.add(lines.Bytes()); l.Msg == "ready" {
				ready <- l
			}
		}
		_ = p.cmd.Wait() // its code is in ProcessState
	}()
	t.Cleanup(func() {
		p.kill()
		if t.Failed() {
			t.Logf("log of the daemon in %s:\n%s", dir, p.log.String())
		}
	})
	select {
	case l := <-ready:
		p.pages, p.mqtt = strings.TrimSuffix(l.Pages, "/"), l.MQTT
	case <-p.ended:
		t.Fatalf("the daemon ended before it was ready:\n%s", p.log.String())
	case <-time.After(patience):
		t.Fatalf("the daemon is not ready after %s:\n%s", patience, p.log.String())
	}
	return p
}

// plainEnv is the environment without settings of whoever runs the tests.
func plainEnv() []string {
	var env []string
	for _, kv := range os.Environ() {
		if !strings.HasPrefix(kv, "OUTYARD_") {
			env = append(env, kv)
		}
	}
	return env
}

// kill ends the daemon as a power cut would, if it has not ended before.
func (p *process) kill() {
	p.t.Helper()
	_ = p.cmd.Process.Kill() // fails when it has ended, which is just as well
	p.waitForEnd()
}

// stop asks it to stop and returns its exit code.
func (p *process) stop() int {
	p.t.Helper()
	require.NoError(p.t, p.cmd.Process.Signal(syscall.SIGTERM))
	p.waitForEnd()
	return p.cmd.ProcessState.ExitCode()
}

func (p *process) waitForEnd() {
	p.t.Helper()
	select {
	case <-p.ended:
	case <-time.After(patience):
		p.t.Fatalf("the daemon has not ended after %s", patience)
	}
}

// get asks for a page.
func (p *process) get(path string) (status int, body string) {
	p.t.Helper()
	status, body, err := fetch(p.pages + path)
	require.NoError(p.t, err)
	return status, body
}

// sees waits until a page has all of the words.
func (p *process) sees(path string, words ...string) {
	p.t.Helper()
	seesAt(p.t, p.pages+path, words...)
}

func seesAt(t *testing.T, url string, words ...string) {
	t.Helper()
	var status int
	var body string
	var err error
	if !within(patience, func() bool {
		status, body, err = fetch(url)
		return err == nil && status == http.StatusOK && containsAll(body, words)
	}) {
		t.Fatalf("%s has not all of %q: %d, %v\n%s", url, words, status, err, body)
	}
}

func containsAll(text string, words []string) bool {
	for _, w := range words {
		if !strings.Contains(text, w) {
			return false
		}
	}
	return true
}

var browser = &http.Client{Timeout: patience}

func fetch(url string) (status int, body string, err error) {
	answer, err := browser.Get(url)
	if err != nil {
		return 0, "", err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	return answer.StatusCode, string(text), err
}

// within looks again and again whether something has come about.
func within(d time.Duration, so func() bool) bool {
	deadline := time.After(d)
	look := time.NewTicker(often)
	defer look.Stop()
	for !so() {
		select {
		case <-look.C:
		case <-deadline:
			return so()
		}
	}
	return true
}

// A logLine is a line of the log, as far as the tests look at it.
type logLine struct {
	Level, Msg, Pages, MQTT, Topic, Reason string
}

// A logBook is what a daemon has logged.
type logBook struct {
	mu    sync.Mutex
	text  bytes.Buffer
	lines []logLine
}

func (b *logBook) add(line []byte) logLine {
	var l logLine
	_ = json.Unmarshal(line, &l) // what is no JSON is in the text, for whoever reads it
	b.mu.Lock()
	defer b.mu.Unlock()
	b.text.Write(line)
	b.text.WriteByte('\n')
	b.lines = append(b.lines, l)
	return l
}

// Write takes lines from a logger in this process.
func (b *logBook) Write(line []byte) (int, error) {
	b.add(bytes.TrimSpace(line))
	return len(line), nil
}

func (b *logBook) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

func (b *logBook) all() []logLine {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]logLine(nil), b.lines...)
}

// program finds a program that the tests cannot do without.
func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		path, err = exec.LookPath(filepath.Join("/usr/sbin", name)) // often not in a user's path
	}
	require.NoError(t, err, "%s is needed for this test: apt-get install mosquitto mosquitto-clients", name)
	return path
}

// publish sends as a node would, with another program than ours.
func publish(t *testing.T, addr, topic, payload string, options ...string) {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	args := append([]string{"-h", host, "-p", port, "-q", "1", "-t", topic, "-m", payload}, options...)
	out, err := exec.CommandContext(ctx, program(t, "mosquitto_pub"), args...).CombinedOutput()
	require.NoError(t, err, string(out))
}

// subscribe connects to a broker and hands on what comes under a filter.
func subscribe(t *testing.T, addr, filter string) <-chan mqtt.Message {
	t.Helper()
	came := make(chan mqtt.Message, 1000)
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("watching-" + t.Name()).
		SetAutoReconnect(false).SetConnectTimeout(patience))
	require.NoError(t, wait(t.Context(), client.Connect()))
	t.Cleanup(func() { client.Disconnect(0) })
	require.NoError(t, wait(t.Context(), client.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) { came <- m })))
	return came
}

// awaits takes what comes until something is the right thing.
func awaits(t *testing.T, came <-chan mqtt.Message, right func(mqtt.Message) bool) mqtt.Message {
	t.Helper()
	deadline := time.After(patience)
	for {
		select {
		case m := <-came:
			if right(m) {
				return m
			}
		case <-deadline:
			t.Fatal("it has not come")
		}
	}
}

// stored reads what the store in dir/outyard-data has.
func stored(t *testing.T, dir string) []outyard.Reading {
	t.Helper()
	db, err := sqlite.OpenForReading(t.Context(), filepath.Join(dir, "outyard-data"))
	require.NoError(t, err)
	var all []outyard.Reading
	err = db.EachReading(t.Context(), store.Query{}, func(r outyard.Reading) error {
		all = append(all, r)
		return nil
	})
	require.NoError(t, errors.Join(err, db.Close()))
	return all
}

// outyardIn runs a command in dir and returns what it says.
func outyardIn(t *testing.T, dir string, env []string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	cmd := exec.CommandContext(ctx, "outyard", args...)
	var out, complaints bytes.Buffer
	cmd.Dir, cmd.Env, cmd.Stdout, cmd.Stderr = dir, append(plainEnv(), env...), &out, &complaints
	var ended *exec.ExitError
	if err := cmd.Run(); err != nil && !errors.As(err, &ended) {
		t.Fatalf("outyard %v: %v", args, err)
	}
	return cmd.ProcessState.ExitCode(), out.String(), complaints.String()
}

// ownBroker is the embedded broker on a free port.
const ownBroker = "OUTYARD_MQTT_EMBEDDED_LISTEN=127.0.0.1:0"
