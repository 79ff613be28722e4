package main

import (
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// A bar shows how far a long command has come: on a terminal, and nowhere
// else. It is an ornament: that it cannot be drawn is no failure.
type bar struct {
	drawn *progressbar.ProgressBar // nil where there is no terminal
	total int64
}

// newBar begins a bar on w. total is 0 where nobody knows it.
func newBar(w io.Writer, what string, total int64, options ...progressbar.Option) *bar {
	if !onTerminal(w) {
		return &bar{}
	}
	if total == 0 {
		total = -1
	}
	return &bar{progressbar.NewOptions64(total, append([]progressbar.Option{
		progressbar.OptionSetWriter(w),
		progressbar.OptionSetDescription(what),
		progressbar.OptionThrottle(100 * time.Millisecond),
		progressbar.OptionClearOnFinish(),
	}, options...)...), total}
}

// add says that n more are done.
func (b *bar) add(n int) {
	if b.drawn != nil {
		_ = b.drawn.Add(n)
	}
}

// at says that n are done in all.
func (b *bar) at(n int64) {
	if b.drawn != nil {
		_ = b.drawn.Set64(min(max(n, 0), b.total))
	}
}

// done takes the bar away.
func (b *bar) done() {
	if b.drawn != nil {
		_ = b.drawn.Finish()
	}
}

// reading moves the bar by what is read from r.
func (b *bar) reading(r io.Reader) io.Reader { return barReader{r, b} }

type barReader struct {
	from io.Reader
	bar  *bar
}

func (r barReader) Read(p []byte) (int, error) {
	n, err := r.from.Read(p)
	r.bar.add(n)
	return n, err
}

func onTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
