package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strconv"
	"strings"
	"time"
)

// A supervisor is the service manager that started the daemon and wants to hear
// how it does, by datagrams of KEY=VALUE lines to a socket: sd_notify(3). The
// protocol is small and promised to stay, so that no library is needed. One
// that is nil wants to hear nothing.
type supervisor struct {
	conn     net.Conn
	watchdog time.Duration // how long we may be silent; 0: as long as we like
	log      *slog.Logger
}

// statusEvery is how often the supervisor hears what is not ready, if anything.
const statusEvery = 10 * time.Second

// How long the parts may take over one step until they count as stuck: far
// beyond what a slow card needs for a commit or for the first reading of a
// season.
const (
	stuckIntake  = 2 * time.Minute
	stuckWatcher = 5 * time.Minute
)

// newSupervisor finds the supervisor of which the environment tells, if any.
func newSupervisor(getenv func(string) string, log *slog.Logger) (*supervisor, error) {
	at := getenv("NOTIFY_SOCKET")
	if at == "" {
		return nil, nil
	}
	conn, err := net.Dial("unixgram", at) // a leading @ is Linux's abstract name space, to Go too
	if err != nil {
		return nil, fmt.Errorf("NOTIFY_SOCKET %s: %w: is the service manager there?", at, err)
	}
	s := &supervisor{conn: conn, log: log}
	// The watchdog may be meant for another process of the same service.
	if pid := getenv("WATCHDOG_PID"); pid == "" || pid == strconv.Itoa(os.Getpid()) {
		usec, err := strconv.ParseUint(getenv("WATCHDOG_USEC"), 10, 63)
		if err == nil {
			s.watchdog = time.Duration(usec) * time.Microsecond
		}
	}
	return s, nil
}

// tell sends what there is to say. That nobody hears it is no reason to stop.
func (s *supervisor) tell(lines ...string) {
	if s == nil {
		return
	}
	if _, err := s.conn.Write([]byte(strings.Join(lines, "\n"))); err != nil {
		s.log.Warn("service manager not told", "what", lines, "error", err)
	}
}

// status is the line that "systemctl status" shows.
func status(text string) string { return "STATUS=" + strings.Join(strings.Fields(text), " ") }

func (s *supervisor) ready(text string) { s.tell("READY=1", status(text)) }

// upgrading asks for more time than a start usually has.
func (s *supervisor) upgrading() {
	s.tell("EXTEND_TIMEOUT_USEC=7200000000", status("bringing the store up to date; a copy of it is made first"))
}

func (s *supervisor) reloading() {
	lines := []string{"RELOADING=1", status("reading the config again")}
	if usec := monotonicMicros(); usec != "" {
		lines = append(lines, "MONOTONIC_USEC="+usec)
	}
	s.tell(lines...)
}

func (s *supervisor) stopping() {
	s.tell("STOPPING=1", status("stopping: what was taken is kept and acknowledged first"))
}

// watch tells the supervisor, until ctx ends, that we live, for as long as
// alive has nothing to say against it, and which parts are not ready.
func (s *supervisor) watch(ctx context.Context, well string, alive func() error, ready func(context.Context) error) error {
	every := statusEvery
	if s.watchdog > 0 {
		every = min(every, s.watchdog/2) // as sd_watchdog_enabled(3) advises
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		if err := alive(); err != nil {
			s.log.Error("not alive: the service manager is told no more that we are, and may start us anew", "error", err)
		} else if s.watchdog > 0 {
			s.tell("WATCHDOG=1")
		}
		if now := condition(ctx, every/2, well, ready); ctx.Err() == nil {
			s.tell(status(now))
		}
		select {
		case <-ctx.Done():
			s.stopping()
			return nil
		case <-tick.C:
		}
	}
}

// condition says in a line how we are.
func condition(ctx context.Context, patience time.Duration, well string, ready func(context.Context) error) string {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	if err := ready(ctx); err != nil {
		return "not ready: " + strings.ReplaceAll(err.Error(), "\n", "; ")
	}
	return well
}

func (s *supervisor) close() {
	if s != nil {
		_ = s.conn.Close() // nothing is left to be said
	}
}
