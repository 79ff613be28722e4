package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// A process is a child that is measured from outside.
type process struct {
	name  string
	cmd   *exec.Cmd
	lines chan string // of its standard output
	tail  *tail
	ended bool
}

// stopWithin is how long a child may take to end before it is killed.
const stopWithin = 15 * time.Second

// begin starts a program. What it says on standard error is shown if it fails.
func begin(ctx context.Context, name string, env []string, program string, args ...string) (*process, error) {
	p := &process{name: name, cmd: exec.CommandContext(ctx, program, args...), lines: make(chan string, 1024), tail: &tail{}}
	p.cmd.Cancel = func() error { return p.cmd.Process.Signal(syscall.SIGTERM) }
	p.cmd.WaitDelay = stopWithin
	p.cmd.Env = append(os.Environ(), env...)
	p.cmd.Stderr = p.tail
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", name, err)
	}
	go func() {
		defer close(p.lines)
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			p.lines <- lines.Text()
		}
	}()
	return p, nil
}

// beginAs starts this program in one of its other roles.
func beginAs(ctx context.Context, args ...string) (*process, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	return begin(ctx, args[0], nil, self, append([]string{actAs}, args...)...)
}

// expect waits for a line that begins with a word, and returns its rest.
func (p *process) expect(ctx context.Context, word string) (string, error) {
	for {
		select {
		case line, ok := <-p.lines:
			if !ok {
				return "", errors.Join(fmt.Errorf("%s ended without saying %q", p.name, word), p.end())
			}
			if rest, found := strings.CutPrefix(line, word); found {
				return strings.TrimSpace(rest), nil
			}
		case <-ctx.Done():
			return "", fmt.Errorf("%s did not say %q: %w", p.name, word, context.Cause(ctx))
		}
	}
}

// stop ends the process, and waits for it.
func (p *process) stop() error {
	if p.ended {
		return nil
	}
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	killer := time.AfterFunc(stopWithin, func() { _ = p.cmd.Process.Kill() }) // fails where it has ended
	defer killer.Stop()
	return p.end()
}

// end waits for the end of the process.
func (p *process) end() error {
	if p.ended {
		return nil
	}
	p.ended = true
	for range p.lines { // all of it is read before Wait closes the pipe
	}
	if err := p.cmd.Wait(); err != nil {
		return fmt.Errorf("%s: %w: %s", p.name, err, p.tail)
	}
	return nil
}

// tail keeps the last of what is written to it.
type tail struct{ text []byte }

func (t *tail) Write(b []byte) (int, error) {
	const most = 2000
	t.text = append(t.text, b...)
	t.text = t.text[max(0, len(t.text)-most):]
	return len(b), nil
}

func (t *tail) String() string { return strings.TrimSpace(string(t.text)) }

// ticks of the system's clock that /proc counts in: 100 a second on every
// Linux (proc(5), sysconf(_SC_CLK_TCK)).
const ticksPerSecond = 100

// cpuSeconds is the processor time that the process has taken.
func (p *process) cpuSeconds() (float64, error) {
	stat, err := os.ReadFile(p.proc("stat"))
	if err != nil {
		return 0, fmt.Errorf("processor time of %s: %w", p.name, err)
	}
	return parseCPU(string(stat))
}

// parseCPU reads the user and system time of /proc/PID/stat, in seconds. The
// second field may hold anything, between the first and the last bracket.
func parseCPU(stat string) (float64, error) {
	fields := strings.Fields(stat[strings.LastIndexByte(stat, ')')+1:])
	const user, system = 14 - 3, 15 - 3 // proc(5) counts from 1; these begin with the third
	if len(fields) <= system {
		return 0, fmt.Errorf("processor time: %d fields in %q", len(fields), stat)
	}
	u, err := strconv.ParseFloat(fields[user], 64)
	s, err2 := strconv.ParseFloat(fields[system], 64)
	return (u + s) / ticksPerSecond, errors.Join(err, err2)
}

// memoryMiB is a line of /proc/PID/status: VmRSS, what is in memory now, or
// VmHWM, the most that ever was.
func (p *process) memoryMiB(line string) (float64, error) {
	status, err := os.Open(p.proc("status"))
	if err != nil {
		return 0, fmt.Errorf("memory of %s: %w", p.name, err)
	}
	defer status.Close()
	return parseMemory(status, line)
}

func parseMemory(status io.Reader, line string) (float64, error) {
	lines := bufio.NewScanner(status)
	for lines.Scan() {
		if rest, ok := strings.CutPrefix(lines.Text(), line+":"); ok {
			kib, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(rest, "kB")), 64)
			return kib / 1024, err
		}
	}
	return 0, errors.Join(fmt.Errorf("no line %s", line), lines.Err())
}

func (p *process) proc(file string) string {
	return filepath.Join("/proc", strconv.Itoa(p.cmd.Process.Pid), file)
}

func loadAverage() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Join(strings.Fields(string(text))[:3], " ")
}
