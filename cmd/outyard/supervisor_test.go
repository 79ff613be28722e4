package main

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A listeningBoss is the service manager's end of the socket.
type listeningBoss struct {
	t    *testing.T
	at   string
	says chan string // datagrams that came
}

func newBoss(t *testing.T) *listeningBoss {
	t.Helper()
	dir, err := os.MkdirTemp("", "boss") // a socket's name is short
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	b := &listeningBoss{t: t, at: filepath.Join(dir, "notify"), says: make(chan string, 1000)}
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: b.at, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			b.says <- string(buf[:n])
		}
	}()
	return b
}

// hears waits for a datagram that has all the words.
func (b *listeningBoss) hears(words ...string) string {
	b.t.Helper()
	deadline := time.After(patience)
	for {
		select {
		case s := <-b.says:
			if containsAll(s, words) {
				return s
			}
		case <-deadline:
			b.t.Fatalf("the service manager was not told %q", words)
		}
	}
}

// TestTheServiceManagerHears starts a daemon as systemd does, and listens.
func TestTheServiceManagerHears(t *testing.T) {
	boss := newBoss(t)
	d := startDaemon(t, t.TempDir(), ownBroker, "NOTIFY_SOCKET="+boss.at, "WATCHDOG_USEC=200000")
	boss.hears("READY=1", "STATUS=ready: pages at "+d.pages)
	boss.hears("WATCHDOG=1")
	boss.hears("WATCHDOG=1")
	require.Zero(t, d.stop())
	boss.hears("STOPPING=1")
}

func TestNoServiceManagerIsNone(t *testing.T) {
	none, err := newSupervisor(func(string) string { return "" }, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	require.Nil(t, none)
	none.ready("and nothing happens")
	none.reloading()
	none.close()

	_, err = newSupervisor(func(string) string { return filepath.Join(t.TempDir(), "none") }, slog.New(slog.DiscardHandler))
	require.ErrorContains(t, err, "is the service manager there?")
}

// TestAWatchdogIsFedByWhatLives: the daemon that no longer turns says so no
// more, and one whose broker is away is alive all the same.
func TestAWatchdogIsFedByWhatLives(t *testing.T) {
	boss := newBoss(t)
	env := map[string]string{"NOTIFY_SOCKET": boss.at, "WATCHDOG_USEC": "20000"}
	book := &logBook{}
	s, err := newSupervisor(func(key string) string { return env[key] }, slog.New(slog.NewJSONHandler(book, nil)))
	require.NoError(t, err)
	defer s.close()

	ask, answer := make(chan struct{}), make(chan error)
	alive := func() error { ask <- struct{}{}; return <-answer }
	away := func(context.Context) error { return errors.New("broker is\naway") }
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.watch(ctx, "ready", alive, away) }()

	<-ask
	answer <- nil
	require.Equal(t, "WATCHDOG=1", <-boss.says)
	require.Equal(t, "STATUS=not ready: broker is; away", <-boss.says)
	<-ask
	answer <- errors.New("the intake has not moved")
	<-ask // it is asked again, and has not said meanwhile that it lives
	require.Equal(t, "STATUS=not ready: broker is; away", <-boss.says)
	require.Empty(t, boss.says)
	require.Contains(t, book.String(), "the intake has not moved")
	answer <- nil
	require.Equal(t, "WATCHDOG=1", <-boss.says)
	cancel()
	for stopped := false; !stopped; {
		select {
		case <-ask:
			answer <- nil
		case err := <-ended:
			require.NoError(t, err)
			stopped = true
		}
	}
	require.True(t, strings.HasPrefix(boss.hears("STOPPING=1"), "STOPPING=1\nSTATUS=stopping"))
}

func TestTheWatchdogOfAnotherProcessIsNotOurs(t *testing.T) {
	boss := newBoss(t)
	env := map[string]string{"NOTIFY_SOCKET": boss.at, "WATCHDOG_USEC": "200000", "WATCHDOG_PID": "1"}
	s, err := newSupervisor(func(key string) string { return env[key] }, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	defer s.close()
	require.Zero(t, s.watchdog)
	s.reloading()
	said := <-boss.says
	require.True(t, strings.HasPrefix(said, "RELOADING=1\nSTATUS="), said)
	require.Regexp(t, `\nMONOTONIC_USEC=\d+$`, said)
}
