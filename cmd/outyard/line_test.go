package main

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestFirstHive does what the README tells a newcomer to do, with the port
// changed, and without a config.
func TestFirstHive(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	require.NoError(t, err)
	block := regexp.MustCompile("(?s)```sh\n(mosquitto_pub .*?)```").FindSubmatch(readme)
	require.NotNil(t, block, "the README sends a reading with mosquitto_pub")
	command := string(block[1])
	require.Contains(t, command, " -h 127.0.0.1 -p 1883 -q 1 -t yards/home/hives/h1 ")
	program(t, "mosquitto_pub")

	dir := t.TempDir()
	d := startDaemon(t, dir, ownBroker)
	d.sees("/", "mosquitto_pub", d.mqtt[strings.LastIndexByte(d.mqtt, ':')+1:]) // how to begin

	_, port, err := net.SplitHostPort(d.mqtt)
	require.NoError(t, err)
	out, err := exec.CommandContext(t.Context(), "sh", "-c", strings.ReplaceAll(command, "-p 1883", "-p "+port)).CombinedOutput()
	require.NoError(t, err, string(out))

	// The command returns once the reading is kept: no need to wait.
	require.Len(t, stored(t, dir), 1)
	status, body := d.get("/api/v1/readings")
	require.Equal(t, http.StatusOK, status)
	var answer struct {
		Items []struct {
			Yard, Hive string
			Time       time.Time
			WeightKg   float64 `json:"weight_kg"`
			InsideTemp float64 `json:"inside_temp_c"`
			InsideRH   float64 `json:"inside_rh_pct"`
		}
	}
	require.NoError(t, json.Unmarshal([]byte(body), &answer))
	require.Len(t, answer.Items, 1)
	got := answer.Items[0]
	require.WithinDuration(t, time.Now(), got.Time, patience, "it has no time of its own: that of its arrival")
	require.Equal(t, "home/h1 41.2 34.6 58", strings.Join([]string{got.Yard + "/" + got.Hive, number(got.WeightKg), number(got.InsideTemp), number(got.InsideRH)}, " "))
	d.sees("/", "h1", "41.2")
	d.sees("/yards/home", "h1")
	d.sees("/yards/home/hives/h1", "41.2", "34.6", "58")

	// A second daemon in the same folder would be a mistake, as is a command
	// that writes.
	require.NoError(t, os.WriteFile(filepath.Join(dir, "more.csv"), []byte("time,yard,hive,weight_kg\n2026-05-14T12:00:00Z,home,h1,40\n"), 0o600))
	for _, args := range [][]string{
		{"serve", "--listen", "127.0.0.1:0"}, {"import", "more.csv"},
	} {
		code, _, stderr := outyardIn(t, dir, []string{ownBroker}, args...)
		require.Equal(t, exitFailed, code, args)
		require.Contains(t, stderr, "data folder is in use by another outyard", args)
	}
	// One that reads is none, nor is a backup.
	code, stdout, stderr := outyardIn(t, dir, nil, "export")
	require.Zero(t, code, stderr)
	require.Contains(t, stdout, ",home,h1,41.2,34.6,58,")
	code, _, stderr = outyardIn(t, dir, nil, "backup", "kept.db")
	require.Zero(t, code, stderr)
	code, _, stderr = outyardIn(t, dir, nil, "restore", "kept.db", "--force")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "stop the daemon, restore, and start it again")
	require.Zero(t, d.stop())
	code, _, stderr = outyardIn(t, dir, nil, "restore", "kept.db", "--force")
	require.Zero(t, code, stderr)
	require.Len(t, stored(t, dir), 1)
}

// A mosquitto is a real broker of somebody else's, a process of the test.
type mosquitto struct {
	t          *testing.T
	addr       string
	configFile string
	log        string
	process    *exec.Cmd
}

// startMosquitto starts one on a free port that keeps what it holds, with more
// lines of config of its own.
func startMosquitto(t *testing.T, more ...string) *mosquitto {
	t.Helper()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	dir := t.TempDir()
	m := &mosquitto{t: t, addr: free.Addr().String(), configFile: filepath.Join(dir, "mosquitto.conf"), log: filepath.Join(dir, "mosquitto.log")}
	require.NoError(t, free.Close())
	_, port, err := net.SplitHostPort(m.addr)
	require.NoError(t, err)
	// Started by root it would become a user who cannot write to our folder.
	config := "listener " + port + " 127.0.0.1\nallow_anonymous true\nuser root\nlog_dest file " + m.log +
		"\npersistence true\npersistence_location " + dir + "/\nmax_queued_messages 0\nmax_inflight_messages 0\n" + strings.Join(more, "\n") + "\n"
	require.NoError(t, os.WriteFile(m.configFile, []byte(config), 0o600))
	m.start()
	t.Cleanup(func() {
		if m.process != nil {
			m.stop()
		}
		if text, err := os.ReadFile(m.log); t.Failed() && err == nil {
			t.Logf("log of mosquitto:\n%s", text)
		}
	})
	return m
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.process = exec.Command(program(m.t, "mosquitto"), "-c", m.configFile)
	require.NoError(m.t, m.process.Start())
	require.True(m.t, within(patience, func() bool {
		conn, err := net.Dial("tcp", m.addr)
		return err == nil && conn.Close() == nil
	}), "mosquitto does not answer")
}

// stop lets it write down what it holds.
func (m *mosquitto) stop() {
	m.t.Helper()
	require.NoError(m.t, m.process.Process.Signal(os.Interrupt))
	require.NoError(m.t, m.process.Wait())
	m.process = nil
}

// TestBehindAnotherBroker has readings come by way of Debian's broker, which
// outlives the daemon, and is outlived by it.
func TestBehindAnotherBroker(t *testing.T) {
	theirs := startMosquitto(t)
	dir, broker := t.TempDir(), "OUTYARD_MQTT_BROKER=tcp://"+theirs.addr
	d := startDaemon(t, dir, broker)
	d.sees("/readyz", "ready")
	// As a node with a clock does: what waits at a broker has no time of its
	// arrival that would be worth anything.
	begin := time.Now().Unix()
	send := func(minute int64, kg float64) {
		t.Helper()
		publish(t, theirs.addr, "yards/mill-creek/hives/h07", fmt.Sprintf(`[{"n":"weight","u":"kg","v":%g,"t":%d}]`, kg, begin-3600+60*minute))
	}
	send(1, 41.5)
	d.sees("/api/v1/readings", `"weight_kg":41.5`)

	// A node without a clock that has its broker retain what it sends: the
	// broker sends that again at each connect, and it is a reading once.
	publish(t, theirs.addr, "yards/mill-creek/hives/h08", `[{"n":"weight","u":"kg","v":38.25}]`, "-r")
	d.sees("/api/v1/readings", `"weight_kg":38.25`)

	// Stopped: what is published meanwhile waits at the broker.
	require.Zero(t, d.stop())
	require.Equal(t, "down", retained(t, theirs.addr, "outyard/state"))
	send(2, 41.7)
	publish(t, theirs.addr, "yards/mill-creek/weather", fmt.Sprintf(`[{"n":"rain","u":"mm","v":2.5,"t":%d}]`, begin-3600))
	d = startDaemon(t, dir, broker)
	d.sees("/api/v1/readings", `"weight_kg":41.5`, `"weight_kg":41.7`, `"rain_mm":2.5`)
	require.Equal(t, "up", retained(t, theirs.addr, "outyard/state"))

	// Killed: the broker says "down" for us, and holds on as well.
	d.kill()
	require.True(t, within(patience, func() bool { return retained(t, theirs.addr, "outyard/state") == "down" }))
	send(3, 41.8)
	d = startDaemon(t, dir, broker)
	d.sees("/api/v1/readings", `"weight_kg":41.8`)

	// The broker stopped and started again: the daemon says so, and comes back.
	theirs.stop()
	require.True(t, within(patience, func() bool {
		status, body := d.get("/readyz")
		return status == http.StatusServiceUnavailable && strings.Contains(body, theirs.addr)
	}), "not ready without its broker, which is named")
	status, _ := d.get("/healthz")
	require.Equal(t, http.StatusOK, status, "alive all the same")
	theirs.start()
	send(4, 41.9)
	d.sees("/api/v1/readings", `"weight_kg":41.9`)
	d.sees("/readyz", "ready")
	require.Zero(t, d.stop())
	require.Len(t, stored(t, dir), 6)
	code, stdout, stderr := outyardIn(t, dir, nil, "refused", "--format", "csv")
	require.Zero(t, code, stderr)
	require.Equal(t, 1, strings.Count(stdout, "yards/mill-creek/hives/h08"), stdout)
	require.Contains(t, stdout, "a broker retained the message, so it may be old")
}

// retained is what a broker has under a topic.
func retained(t *testing.T, addr, topic string) string {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	out, err := exec.CommandContext(t.Context(), program(t, "mosquitto_sub"), "-h", host, "-p", port, "-t", topic, "-C", "1", "-W", "20").Output()
	require.NoError(t, err)
	return strings.TrimSpace(string(out))
}
