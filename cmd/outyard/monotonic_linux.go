package main

import (
	"strconv"

	"golang.org/x/sys/unix"
)

// monotonicMicros is the clock by which the service manager tells one reload
// from another: CLOCK_MONOTONIC, in microseconds. Go's own does not show it.
func monotonicMicros() string {
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		return ""
	}
	return strconv.FormatInt(now.Nano()/1000, 10)
}
