//go:build unix

package sqlite

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"outyard/store"
)

// lockFolder keeps other daemons out of dir until the lock is closed or the
// process ends, however it ends. The file stays and says who had it last;
// removing it while a daemon runs would let a second one in.
func lockFolder(dir string) (io.Closer, error) {
	name := filepath.Join(dir, lockFile)
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock of data folder %s: %w: %w", dir, store.ErrUnavailable, err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		defer f.Close()
		holder := make([]byte, 32)
		n, _ := f.Read(holder)
		return nil, inUse(dir, strings.TrimSpace(string(holder[:n])))
	}
	if err == nil {
		err = f.Truncate(0)
	}
	if err == nil {
		_, err = fmt.Fprintln(f, os.Getpid())
	}
	// Who has it is for people to read. A full disk is told of where it matters,
	// with what to do.
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EFBIG) {
		err = nil
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock of data folder %s: %w: %w", dir, store.ErrUnavailable, err)
	}
	return f, nil
}
