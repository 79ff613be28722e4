package main

import (
	"bufio"
	"fmt"
	"math"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/simulator"
)

// startInflux starts a real time-series server with one bucket, and returns its
// address.
func startInflux(t *testing.T) (address string) {
	t.Helper()
	path, err := exec.LookPath("influxd")
	if err != nil {
		out, err := exec.Command("go", "env", "GOPATH").Output()
		require.NoError(t, err)
		path = filepath.Join(strings.TrimSpace(string(out)), "bin", "influxd")
		require.FileExists(t, path, "influxd is needed for this test: go install github.com/influxdata/influxdb/cmd/influxd@v1.8.10")
	}
	dir := filepath.ToSlash(t.TempDir())
	config := fmt.Sprintf("reporting-disabled = true\nbind-address = \"127.0.0.1:0\"\n[meta]\n dir = \"%[1]s/meta\"\n[data]\n dir = \"%[1]s/data\"\n wal-dir = \"%[1]s/wal\"\n"+
		"[http]\n bind-address = \"127.0.0.1:0\"\n flux-enabled = true\n log-enabled = false\n[monitor]\n store-enabled = false\n", dir)
	file := filepath.Join(dir, "influxdb.conf")
	require.NoError(t, os.WriteFile(file, []byte(config), 0o600))
	cmd := exec.Command(path, "-config", file)
	log, err := cmd.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	listening := regexp.MustCompile(`Listening on HTTP.* addr=(\S+)`)
	at, ended := make(chan string, 1), make(chan struct{})
	go func() {
		defer close(ended)
		for lines := bufio.NewScanner(log); lines.Scan(); {
			if m := listening.FindStringSubmatch(lines.Text()); m != nil {
				at <- m[1]
			}
		}
		_ = cmd.Wait() // it was told to end
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		<-ended
	})
	select {
	case addr := <-at:
		address = "http://" + addr
	case <-ended:
		t.Fatal("the time-series server ended at once")
	case <-time.After(patience):
		t.Fatal("the time-series server does not listen")
	}
	require.True(t, within(patience, func() bool {
		answer, err := http.PostForm(address+"/query", url.Values{"q": {"CREATE DATABASE hives"}})
		return err == nil && answer.Body.Close() == nil && answer.StatusCode == http.StatusOK
	}), "the time-series server makes no database")
	return address
}

// step is how often the hives of quietDays report.
const step = 10 * time.Minute

// quietDays are three of two hives at heron-point, until half an hour before now.
func quietDays(now time.Time) (before []simulator.Sent) {
	for at := now.Add(-72 * time.Hour); at.Before(now.Add(-3 * step)); at = at.Add(step) {
		for i, hive := range []outyard.HiveID{"h01", "h02"} {
			r := outyard.NewReading("heron-point", hive, at)
			r.Values[outyard.Weight] = 40 + float64(i) + 0.03*math.Sin(float64(at.Unix()/60%97))
			r.Values[outyard.InsideTemp] = 34.5 + 0.2*math.Sin(float64(at.Unix()/60%89))
			before = append(before, simulator.Sent{Reading: r, Arrival: at})
		}
	}
	return before
}

// TestKilledWhileItTells cuts the power of a daemon that has stored a finding
// and its message and is waiting for the mail server to speak: what starts in
// its place sends the mail, once.
func TestKilledWhileItTells(t *testing.T) {
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := silent.Addr().String()
	dir := t.TempDir()
	config := (&mailbox{addr: addr}).route() +
		"yards:\n  - {id: heron-point, latitude: 48.80, longitude: -123.30, timezone: America/Vancouver, hives: [{id: h01}, {id: h02}]}\n"
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(config), 0o600))
	now := time.Now().UTC().Truncate(time.Second)
	writeReadings(t, filepath.Join(dir, "before.csv"), quietDays(now))
	code, _, stderr := outyardIn(t, dir, nil, "import", "before.csv")
	require.Zero(t, code, stderr)
	d := startDaemon(t, dir, ownBroker)
	d.sees("/metrics", "outyard_alerts_rebuilds_total 1")
	for i := range 3 {
		at := now.Add(time.Duration(i-3) * step).Unix()
		publish(t, d.mqtt, "yards/heron-point/hives/h02", fmt.Sprintf(`[{"n":"weight","u":"kg","v":41,"t":%d}]`, at))
		publish(t, d.mqtt, "yards/heron-point/hives/h01", fmt.Sprintf(`[{"n":"weight","u":"kg","v":2.5,"t":%d}]`, at))
	}
	called := make(chan error, 1)
	go func() {
		conn, err := silent.Accept()
		if err == nil {
			t.Cleanup(func() { _ = conn.Close() }) // held open until the end
		}
		called <- err
	}()
	select {
	case err := <-called:
		require.NoError(t, err)
	case <-time.After(patience):
		t.Fatal("the mail server was not called")
	}
	d.kill()
	require.NoError(t, silent.Close())

	box := openMailboxAt(t, addr)
	d = startDaemon(t, dir, ownBroker)
	require.True(t, within(patience, func() bool { return len(box.got()) == 1 }), "the mail goes out")
	require.Contains(t, box.got()[0], "knocked over")
	d.sees("/metrics", "outyard_alerts_messages_sent_total 1")
	require.Zero(t, d.stop())
	d = startDaemon(t, dir, ownBroker)
	d.sees("/metrics", "outyard_alerts_rebuilds_total 1", "outyard_alerts_waiting_readings 0")
	require.Zero(t, d.stop())
	require.Len(t, box.got(), 1, "once")
}

// TestYardsAreTakenOver has two daemons share the yards at one Mosquitto and one
// time-series server, each with its own state. One is stopped while nodes go on
// sending; a reload of the other takes its yards over. No reading is missing,
// nothing is told twice, and what was answered stays so.
func TestYardsAreTakenOver(t *testing.T) {
	theirs, influxAt, box := startMosquitto(t), startInflux(t), openMailbox(t)
	yard := func(id string) string {
		return "  - {id: " + id + ", latitude: 48.80, longitude: -123.30, timezone: America/Vancouver, hives: [{id: h01}, {id: h02}]}\n"
	}
	config := func(name, yards, more string) string {
		return "mqtt: {broker: 'tcp://" + theirs.addr + "', client_id: " + name + ", own_yards_only: true}\n" +
			"store: {kind: influx, influx: {url: '" + influxAt + "', bucket: hives/autogen}}\n" + box.route() + "yards:\n" + yards + more
	}
	northDir, southDir := t.TempDir(), t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(northDir, "outyard.yaml"), []byte(config("north", yard("heron-point"), "")), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(southDir, "outyard.yaml"), []byte(config("south", yard("mill-lane"), "")), 0o600))

	// Three quiet days of two hives; then one of them lies on its side.
	now := time.Now().UTC().Truncate(time.Second)
	before := quietDays(now)
	writeReadings(t, filepath.Join(northDir, "before.csv"), before)
	code, _, stderr := outyardIn(t, northDir, nil, "import", "before.csv")
	require.Zero(t, code, stderr)
	north, south := startDaemon(t, northDir), startDaemon(t, southDir)
	north.sees("/readyz", "ready")
	south.sees("/readyz", "ready")
	north.sees("/metrics", "outyard_alerts_rebuilds_total 1")
	sent := map[string]int{"heron-point": len(before)}
	send := func(yard, hive string, at time.Time, kg float64) {
		publish(t, theirs.addr, "yards/"+yard+"/hives/"+hive, fmt.Sprintf(`[{"n":"weight","u":"kg","v":%.3f,"t":%d}]`, kg, at.Unix()))
		sent[yard]++
	}
	send("mill-lane", "h01", now.Add(-3*step), 33.3)
	for i := range 3 {
		send("heron-point", "h02", now.Add(time.Duration(i-3)*step), 41)
		send("heron-point", "h01", now.Add(time.Duration(i-3)*step), 2.5)
	}
	require.True(t, within(patience, func() bool { return len(box.got()) == 1 }), "it is told by the one whose yard it is")
	require.Contains(t, box.got()[0], "knocked over")
	north.sees("/metrics", "outyard_alerts_messages_sent_total 1")
	_, findings, err := fetch(north.pages + "/api/v1/findings?kind=knocked-over")
	require.NoError(t, err)
	id := regexp.MustCompile(`"id":"(knocked-over-[^"]+)"`).FindStringSubmatch(findings)
	require.Len(t, id, 2, findings)
	require.Zero(t, north.stop())
	code, _, stderr = outyardIn(t, northDir, nil, "journal", "add", "visit", "--yard", "heron-point", "--note", "looked from the road", "--at", now.Add(-48*time.Hour).Format(time.RFC3339))
	require.Zero(t, code, stderr)

	// Nodes go on; the broker holds it for the one that is gone.
	for i := range 5 {
		send("heron-point", "h02", now.Add(time.Duration(i+1)*time.Second), 41)
	}
	south.reload(config("south", yard("mill-lane")+yard("heron-point"), "take_over: [{data: '"+northDir+"/outyard-data', client_id: north}]\n"))
	south.logs("yards taken over", `"yards":["mill-lane","heron-point"]`)
	south.logs("what the broker held for another daemon is kept", `"messages":5`)
	send("heron-point", "h02", now.Add(10*time.Second), 41)

	south.sees("/api/v1/findings?kind=knocked-over", id[1], `"state":"open"`)
	south.sees("/api/v1/journal", "looked from the road")
	south.sees("/metrics", `outyard_collector_messages_total{result="unplaced"} 0`, "outyard_alerts_waiting_readings 0", "outyard_influx_queue_readings 0")
	count := func(d *process) (rows int) {
		code, stdout, stderr := outyardIn(t, d.cmd.Dir, nil, "export", "--yard", "heron-point")
		require.Zero(t, code, stderr)
		return strings.Count(stdout, "\n") - 1
	}
	require.True(t, within(patience, func() bool { return count(south) == sent["heron-point"] }), "%d of %d readings", count(south), sent["heron-point"])

	// Another start takes nothing over again, and tells nothing.
	require.Zero(t, south.stop())
	south = startDaemon(t, southDir)
	south.sees("/readyz", "ready")
	south.sees("/metrics", "outyard_alerts_rebuilds_total 2", "outyard_alerts_waiting_readings 0")
	require.NotContains(t, south.log.String(), "taken over")
	require.Zero(t, south.stop())
	require.Len(t, box.got(), 1, "nothing is told twice")
	require.Equal(t, sent["heron-point"], count(south))
}
