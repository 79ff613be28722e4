package web

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// openPatience is how long a test waits for what must come.
const openPatience = time.Minute

// serveOpen serves the pages as an address that others can reach, with less
// patience.
func serveOpen(t *testing.T, most limits) (addr string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- serve(ctx, l, New(emptyStore(t), Options{Yards: func() []outyard.Yard { return nil }, Now: time.Now, Loopback: true, Everybody: true, Feed: NewFeed()}), nil, most)
	}()
	t.Cleanup(func() { cancel(); require.NoError(t, <-ended) })
	return l.Addr().String()
}

func dialOpen(t *testing.T, addr, text string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	t.Cleanup(func() { c.Close() })
	require.NoError(t, c.SetDeadline(time.Now().Add(openPatience)))
	_, err = io.WriteString(c, text)
	require.NoError(t, err)
	return c
}

// alive says that an ordinary visitor is served.
func alive(t *testing.T, addr string) {
	t.Helper()
	client := &http.Client{Timeout: openPatience, Transport: &http.Transport{DisableKeepAlives: true}}
	answer, err := client.Get("http://" + addr + "/healthz")
	require.NoError(t, err)
	answer.Body.Close()
	require.Equal(t, http.StatusOK, answer.StatusCode)
}

func TestSlowClientsAreCutOff(t *testing.T) {
	quick := limits{header: 50 * time.Millisecond, read: 100 * time.Millisecond, write: 5 * time.Second, idle: 50 * time.Millisecond, connections: 100}
	for name, text := range map[string]string{
		"who says nothing":                        "",
		"who does not end the first line":         "GET / HT",
		"who does not end the headers":            "GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ",
		"who does not send the body he announced": "POST /api/v1/journal HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{",
		"who keeps the connection for nothing":    "GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n",
	} {
		t.Run(name, func(t *testing.T) {
			addr := serveOpen(t, quick)
			c := dialOpen(t, addr, text)
			alive(t, addr) // meanwhile
			_, err := io.Copy(io.Discard, c)
			if err != nil { // cut off, not by the test's own deadline
				require.NotContains(t, err.Error(), "timeout")
			}
		})
	}
}

func TestWhatIsTooLargeIsRefused(t *testing.T) {
	addr := serveOpen(t, limits{header: openPatience, read: openPatience, write: openPatience, idle: openPatience, connections: 100})
	status := func(text string) int {
		answer, err := http.ReadResponse(bufio.NewReader(dialOpen(t, addr, text)), nil)
		require.NoError(t, err)
		answer.Body.Close()
		return answer.StatusCode
	}
	require.Equal(t, http.StatusRequestHeaderFieldsTooLarge, status("GET / HTTP/1.1\r\nHost: localhost\r\nX-Long: "+strings.Repeat("x", 2*maxHeader)+"\r\n\r\n"))
	body := `{"note":"` + strings.Repeat("x", 2*maxBody) + `"}`
	got := status(fmt.Sprintf("POST /api/v1/journal HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s", len(body), body))
	require.Contains(t, []int{http.StatusRequestEntityTooLarge, http.StatusBadRequest}, got)
	alive(t, addr)
}

func TestAThousandVisitorsAtOnce(t *testing.T) {
	const many = 1000
	addr := serveOpen(t, limits{header: openPatience, read: openPatience, write: openPatience, idle: openPatience, connections: many + 10})
	conns := make([]net.Conn, many)
	for i := range conns {
		conns[i] = dialOpen(t, addr, "GET /healthz HTTP/1.1\r\nHost: localhost\r\n")
	}
	alive(t, addr) // while a thousand hold theirs half said
	var all sync.WaitGroup
	for i, c := range conns {
		all.Go(func() {
			if _, err := io.WriteString(c, "\r\n"); err != nil {
				t.Errorf("visitor %d: %v", i, err)
				return
			}
			answer, err := http.ReadResponse(bufio.NewReader(c), nil)
			if err != nil || answer.StatusCode != http.StatusOK {
				t.Errorf("visitor %d: %v %v", i, answer, err)
			}
		})
	}
	all.Wait()
}

func TestVisitorsAreBounded(t *testing.T) {
	addr := serveOpen(t, limits{header: openPatience, read: openPatience, write: openPatience, idle: openPatience, connections: 2})
	first, second := dialOpen(t, addr, "GET"), dialOpen(t, addr, "GET")
	third, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	defer third.Close()
	require.NoError(t, third.SetReadDeadline(time.Now().Add(openPatience)))
	_, err = third.Read(make([]byte, 1))
	require.Error(t, err)
	require.NotContains(t, err.Error(), "timeout", "it is turned away at once")
	require.NoError(t, first.Close())
	require.NoError(t, second.Close())
	require.Eventually(t, func() bool {
		c := &http.Client{Timeout: time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
		answer, err := c.Get("http://" + addr + "/healthz")
		if err == nil {
			answer.Body.Close()
		}
		return err == nil
	}, openPatience, 10*time.Millisecond, "room is free again once they have left")
}

func TestStreamsAreBounded(t *testing.T) {
	addr := serveOpen(t, limits{header: openPatience, read: openPatience, write: openPatience, idle: openPatience, connections: 100})
	status := func() int {
		answer, err := http.ReadResponse(bufio.NewReader(dialOpen(t, addr, "GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")), nil)
		require.NoError(t, err)
		return answer.StatusCode
	}
	for range mostFeeds {
		require.Equal(t, http.StatusOK, status())
	}
	require.Equal(t, http.StatusServiceUnavailable, status())
	alive(t, addr)
}

// TestNothingBesideThePagesIsRead asks as no browser would, with addresses that
// climb out of where the pages' files are.
func TestNothingBesideThePagesIsRead(t *testing.T) {
	addr := serveOpen(t, limits{header: openPatience, read: openPatience, write: openPatience, idle: openPatience, connections: 100})
	for _, path := range []string{
		"/static/../page.go", "/static/../../go.mod", "/static/..%2fpage.go", "/static/..%2f..%2fgo.mod", "/static/%2e%2e/%2e%2e/go.mod", "/static/..%5c..%5cgo.mod",
		"/static/%2fetc%2fpasswd", "//etc/passwd", "/../../../../etc/passwd", "/static/....//....//etc/passwd", "/static/..%252f..%252fgo.mod", "/static/page.go%00.css",
		"/static/..;/..;/go.mod", "/yards/..%2f..%2f..%2fetc%2fpasswd", "/api/v1/findings/..%2f..%2fjournal", "http://elsewhere.example/static/../go.mod",
	} {
		t.Run(path, func(t *testing.T) {
			answer, err := http.ReadResponse(bufio.NewReader(dialOpen(t, addr, "GET "+path+" HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")), nil)
			require.NoError(t, err)
			defer answer.Body.Close()
			body, err := io.ReadAll(answer.Body)
			require.NoError(t, err)
			require.GreaterOrEqual(t, answer.StatusCode, 300, string(body))
			require.Less(t, answer.StatusCode, 500, string(body))
			if to := answer.Header.Get("Location"); to != "" {
				require.Regexp(t, `^/([^/\\]|$)`, to, "sent on within these pages alone")
			}
			for _, secret := range []string{"root:", "module outyard", "package web"} {
				require.NotContains(t, string(body), secret)
			}
		})
	}
	alive(t, addr)
}
