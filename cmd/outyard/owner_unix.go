//go:build unix

package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"strconv"
	"syscall"
)

// asOwner refuses to write into a data folder of somebody else's as root: what a
// command makes there would be root's, and the daemon could not open it.
func asOwner(dir string) error {
	info, err := os.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // ours, when it is made
	}
	if err != nil {
		return err
	}
	about, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	return ownerError(dir, os.Geteuid(), int(about.Uid))
}

func ownerError(dir string, us, owner int) error {
	if us != 0 || owner == 0 {
		return nil // who is not root is told by the system
	}
	name := ownerName(owner)
	return fmt.Errorf("data folder %s belongs to %s, and what root writes there the daemon could not open: put sudo -u %s in front", dir, name, name)
}

// ownerName is a user as sudo wants it: by name, or by a number.
func ownerName(uid int) string {
	id := strconv.Itoa(uid)
	if u, err := user.LookupId(id); err == nil {
		return u.Username
	}
	return "#" + id
}
