package influx

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
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
// its own.
type server struct {
	dir  string
	url  string // once it has been started
	addr string
	cmd  *exec.Cmd
	done chan error
}

// newServer starts a server for one test.
func newServer(t testing.TB) *server {
	s := &server{dir: t.TempDir(), addr: "127.0.0.1:0"}
	t.Cleanup(func() { require.NoError(t, s.kill()) })
	s.start(t)
	return s
}

// shared is the server of all the tests that do not stop it, for starting one
// takes seconds. TestMain ends it.
var shared server

func sharedServer(t testing.TB) *server {
	t.Helper()
	if shared.cmd == nil {
		dir, err := os.MkdirTemp("", "outyard-influx")
		require.NoError(t, err)
		shared = server{dir: dir, addr: "127.0.0.1:0"}
		shared.start(t)
	}
	return &shared
}

func TestMain(m *testing.M) {
	if dir := os.Getenv(crashFolder); dir != "" {
		if err := keepForever(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	code := m.Run()
	if err := errors.Join(shared.kill(), os.RemoveAll(shared.dir)); err != nil {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
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
func (s *server) start(t testing.TB) {
	t.Helper()
	file := filepath.Join(s.dir, "influxdb.conf")
	require.NoError(t, os.WriteFile(file, fmt.Appendf(nil, config, filepath.ToSlash(s.dir), s.addr), 0o600))
	cmd := exec.Command(influxd(t), "-config", file)
	log, err := cmd.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
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
		require.True(t, ok, "the server ended at once")
		s.addr, s.url = addr, "http://"+addr
	case <-time.After(time.Minute):
		require.Fail(t, "the server does not listen")
	}
	require.Eventually(t, func() bool {
		resp, err := http.Get(s.url + "/ping")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusNoContent
	}, time.Minute, 5*time.Millisecond, "the server does not answer")
}

// stop ends the server as its service manager would.
func (s *server) stop() error { return s.end(syscall.SIGTERM) }

// kill ends it as a lost power supply would.
func (s *server) kill() error { return s.end(syscall.SIGKILL) }

func (s *server) end(how os.Signal) error {
	if s.cmd == nil {
		return nil
	}
	if err := s.cmd.Process.Signal(how); err != nil {
		return err
	}
	<-s.done // how it ended says nothing, it was told to
	s.cmd = nil
	return nil
}

var databases atomic.Int64

// newBucket makes a database that no other test uses, and returns the bucket
// that it is.
func (s *server) newBucket(t testing.TB) string {
	t.Helper()
	return s.database(t, fmt.Sprintf("outyard%d", databases.Add(1)))
}

// database makes an empty database and returns the bucket that it is.
func (s *server) database(t testing.TB, name string) string {
	t.Helper()
	s.post(t, "/query", url.Values{"q": {`CREATE DATABASE "` + strings.ReplaceAll(name, `"`, `\"`) + `"`}}.Encode())
	return name + "/autogen"
}

// post sends a form.
func (s *server) post(t testing.TB, path, body string) {
	t.Helper()
	resp, err := http.Post(s.url+path, "application/x-www-form-urlencoded", strings.NewReader(body))
	require.NoError(t, err)
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.Less(t, resp.StatusCode, 300, string(answer))
	require.NotContains(t, string(answer), "error")
}
