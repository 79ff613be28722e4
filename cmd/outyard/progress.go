package main

import (
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// progress shows how far a long command has come: on a terminal, and nowhere
// else. total is 0 where nobody knows it. The bar is gone once it is closed.
func progress(w io.Writer, what string, total int64, options ...progressbar.Option) *progressbar.ProgressBar {
	if !onTerminal(w) {
		return progressbar.DefaultSilent(total)
	}
	if total == 0 {
		total = -1
	}
	return progressbar.NewOptions64(total, append([]progressbar.Option{
		progressbar.OptionSetWriter(w),
		progressbar.OptionSetDescription(what),
		progressbar.OptionThrottle(100 * time.Millisecond),
		progressbar.OptionClearOnFinish(),
	}, options...)...)
}

func onTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
