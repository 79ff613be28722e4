package sqlite

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"

	"outyard/store"
)

// errSharing is ERROR_SHARING_VIOLATION.
const errSharing = syscall.Errno(32)

// lockFolder keeps other daemons out of dir until the lock is closed or the
// process ends, however it ends: a file that is opened to be shared with
// nobody can be opened once.
func lockFolder(dir string) (io.Closer, error) {
	name := filepath.Join(dir, lockFile)
	p, err := syscall.UTF16PtrFromString(name)
	if err != nil {
		return nil, fmt.Errorf("lock of data folder %s: %w: %w", dir, store.ErrUnavailable, err)
	}
	h, err := syscall.CreateFile(p, syscall.GENERIC_READ|syscall.GENERIC_WRITE, 0, nil,
		syscall.OPEN_ALWAYS, syscall.FILE_ATTRIBUTE_NORMAL, 0)
	if errors.Is(err, errSharing) {
		return nil, inUse(dir, "")
	}
	if err != nil {
		return nil, fmt.Errorf("lock of data folder %s: %w: %w", dir, store.ErrUnavailable, err)
	}
	return os.NewFile(uintptr(h), name), nil
}
