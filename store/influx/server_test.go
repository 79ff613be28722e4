package influx

import (
	"bufio"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// install is how to get the server that these tests use: InfluxDB 1.8 is Go
// only, and has the write and query interface of InfluxDB 2.
const install = "go install github.com/influxdata/influxdb/cmd/influxd@v1.8.10"

// influxd finds the server's program; without it there is no test.
func influxd(t testing.TB) string {
	t.Helper()
	if path, err := exec.LookPath("influxd"); err == nil {
		return path
	}
	for _, ask := range [][]string{{"GOBIN", ""}, {"GOPATH", "bin"}} {
		out, err := exec.Command("go", "env", ask[0]).Output()
		require.NoError(t, err)
		path := filepath.Join(strings.TrimSpace(string(out)), ask[1], "influxd")
		if _, err := os.Stat(path); err == nil {
			return path
		}
	}
	t.Fatalf("influxd is neither in PATH nor where go install puts programs: run %s", install)
	return ""
}

// A server is a real one, on a port of its own, with its data in a folder of
// the test's.
type server struct {
	t    testing.TB
	dir  string
	url  string // once it has been started
	addr string
	cmd  *exec.Cmd
	done chan error
}

// newServer starts a server, which ends when the test does.
func newServer(t testing.TB) *server {
	s := &server{t: t, dir: t.TempDir(), addr: "127.0.0.1:0"}
	t.Cleanup(s.kill)
	s.start()
	return s
}

const config = `
reporting-disabled = true
bind-address = "127.0.0.1:0"
[meta]
  dir = "%[1]s/meta"
[data]
  dir = "%[1]s/data"
  wal-dir = "%[1]s/wal"
  query-log-enabled = false
[http]
  bind-address = "%[2]s"
  flux-enabled = true
  log-enabled = false
[monitor]
  store-enabled = false
`

var listening = regexp.MustCompile(`Listening on HTTP.* addr=(\S+)`)

// start starts the server, at the address that it had before, and waits until
// it answers.
func (s *server) start() {
	s.t.Helper()
	file := filepath.Join(s.dir, "influxdb.conf")
	require.NoError(s.t, os.WriteFile(file, fmt.Appendf(nil, config, filepath.ToSlash(s.dir), s.addr), 0o600))
	cmd := exec.Command(influxd(s.t), "-config", file)
	log, err := cmd.StderrPipe()
	require.NoError(s.t, err)
	require.NoError(s.t, cmd.Start())
	at := make(chan string, 1)
	done := make(chan error, 1)
	go func() {
		for lines := bufio.NewScanner(log); lines.Scan(); {
			if m := listening.FindStringSubmatch(lines.Text()); m != nil {
				at <- m[1]
			}
		}
		close(at)
		done <- cmd.Wait()
	}()
	s.cmd, s.done = cmd, done
	select {
	case addr, ok := <-at:
		require.True(s.t, ok, "the server ended at once")
		s.addr, s.url = addr, "http://"+addr
	case <-time.After(time.Minute):
		require.Fail(s.t, "the server does not listen")
	}
	require.Eventually(s.t, func() bool {
		resp, err := http.Get(s.url + "/ping")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusNoContent
	}, time.Minute, 5*time.Millisecond, "the server does not answer")
}

// stop ends the server as its service manager would.
func (s *server) stop() { s.end(syscall.SIGTERM) }

// kill ends it as a lost power supply would.
func (s *server) kill() { s.end(syscall.SIGKILL) }

func (s *server) end(how os.Signal) {
	if s.cmd == nil {
		return
	}
	require.NoError(s.t, s.cmd.Process.Signal(how))
	<-s.done
	s.cmd = nil
}

// database makes an empty database and returns the bucket that it is.
func (s *server) database(name string) string {
	s.t.Helper()
	quoted := strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(name)
	s.post("/query", url.Values{"q": {`CREATE DATABASE "` + quoted + `"`}}.Encode())
	return name + "/autogen"
}

// post sends a form.
func (s *server) post(path, body string) {
	s.t.Helper()
	resp, err := http.Post(s.url+path, "application/x-www-form-urlencoded", strings.NewReader(body))
	require.NoError(s.t, err)
	defer resp.Body.Close()
	require.Less(s.t, resp.StatusCode, 300, resp.Header.Get("X-Influxdb-Error"))
}
