package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"outyard"
	"outyard/store/sqlite"
)

// How many messages each run sends: some seconds' worth.
const (
	ingestMessages  = 240_000
	outsideMessages = 100_000
	quantities      = 4 // in a message
)

// A rate is how one run went.
type rate struct {
	perSecond      float64 // messages
	cpuPerMillion  float64 // seconds for a million readings
	peakMiB        float64
	ackP50, ackP99 float64 // ms, of a paced run
}

// runLoad sends messages to a process that acknowledges them itself.
func runLoad(ctx context.Context, to *process, addr string, messages, pace int) (rate, error) {
	sender, err := beginAs(ctx, "load", addr, strconv.Itoa(messages), strconv.Itoa(pace))
	if err != nil {
		return rate{}, err
	}
	defer sender.stop()
	if _, err := sender.expect(ctx, "ready"); err != nil {
		return rate{}, err
	}
	before, err := to.cpuSeconds()
	if err != nil {
		return rate{}, err
	}
	sent, err := sender.expect(ctx, "sent ")
	if err != nil {
		return rate{}, err
	}
	after, err := to.cpuSeconds()
	if err != nil {
		return rate{}, err
	}
	var r rate
	var took float64
	if _, err := fmt.Sscan(sent, &took, &r.ackP50, &r.ackP99); err != nil {
		return rate{}, fmt.Errorf("load said %q: %w", sent, err)
	}
	r.perSecond = float64(messages) / took
	r.cpuPerMillion = (after - before) / float64(messages*quantities) * 1e6
	if r.peakMiB, err = to.memoryMiB("VmHWM"); err != nil {
		return rate{}, err
	}
	return r, sender.end()
}

// loadOne runs one process in a role and sends it messages.
func loadOne(ctx context.Context, messages, pace int, role ...string) (rate, error) {
	p, err := beginAs(ctx, role...)
	if err != nil {
		return rate{}, err
	}
	defer p.stop()
	addr, err := p.expect(ctx, "ready ")
	if err != nil {
		return rate{}, err
	}
	r, err := runLoad(ctx, p, addr, messages, pace)
	return r, errors.Join(err, p.stop())
}

// compared is two ways of doing a thing, whose runs took turns.
type compared struct{ least, ours []rate }

func (c *compared) take(rounds int, least, ours func() (rate, error)) error {
	for range rounds {
		l, err := least()
		if err != nil {
			return err
		}
		o, err := ours()
		if err != nil {
			return err
		}
		c.least, c.ours = append(c.least, l), append(c.ours, o)
	}
	return nil
}

// medianOf is the middle one of something about runs.
func medianOf(rs []rate, of func(rate) float64) float64 {
	values := make([]float64, len(rs))
	for i, r := range rs {
		values[i] = of(r)
	}
	return median(values)
}

// ratio is the middle one of each turn's ratio.
func (c *compared) ratio() float64 {
	ratios := make([]float64, len(c.ours))
	for i := range ratios {
		ratios[i] = c.ours[i].perSecond / c.least[i].perSecond
	}
	return median(ratios)
}

func perSecond(r rate) float64     { return r.perSecond }
func cpuPerMillion(r rate) float64 { return r.cpuPerMillion }
func peakMiB(r rate) float64       { return r.peakMiB }

func ingest(ctx context.Context, b *bench) error {
	var c compared
	err := c.take(b.rounds, func() (rate, error) {
		return loadOne(ctx, ingestMessages, 0, "counting-broker")
	}, func() (rate, error) {
		dir, err := os.MkdirTemp(b.dir, "ingest-")
		if err != nil {
			return rate{}, err
		}
		return loadOne(ctx, ingestMessages, 0, "keeping-broker", dir)
	})
	if err != nil {
		return err
	}
	b.note("counting only", medianOf(c.least, perSecond), "messages/s")
	b.note("counting only", medianOf(c.least, cpuPerMillion), "CPU-s per million readings")
	b.note("kept and acknowledged", medianOf(c.ours, perSecond), "messages/s")
	b.add("kept against counting", c.ratio(), "", atLeast, 0.45)
	b.add("kept and acknowledged", medianOf(c.ours, cpuPerMillion), "CPU-s per million readings", atMost, 7)
	b.note("peak memory of broker, intake and store", medianOf(c.ours, peakMiB), "MiB")
	return nil
}

// The messages whose size on disk is measured: three months of thirty hives
// that report in turn, so many to a commit. Of a shorter time, the last page of
// each hive, which is not full yet, weighs more.
const (
	diskHives  = 30
	diskRounds = 13_000
	diskCommit = 1_000
)

// disk measures by how much a store grows for each message, index included.
// It is closed before each look, so that nothing is left in its log.
func disk(ctx context.Context, b *bench) error {
	dir := filepath.Join(b.dir, "disk")
	sizeWith := func(rounds int) (size int64, err error) {
		db, err := sqlite.Open(ctx, dir)
		if err != nil {
			return 0, err
		}
		err = keepRounds(ctx, db, rounds)
		if err := errors.Join(err, db.Close()); err != nil {
			return 0, err
		}
		return folderSize(dir)
	}
	empty, err := sizeWith(0)
	if err != nil {
		return err
	}
	full, err := sizeWith(diskRounds)
	if err != nil {
		return err
	}
	b.add("on disk", float64(full-empty)/(diskHives*diskRounds), "bytes a message", atMost, 26)
	return nil
}

// keepRounds keeps so many messages of each hive.
func keepRounds(ctx context.Context, db *sqlite.Store, rounds int) error {
	newest := time.Now().UTC().Truncate(cadence)
	var rs []outyard.Reading
	for i := range rounds {
		for h := range diskHives {
			rs = append(rs, invented(loadYard(0), loadHive(h), h, newest.Add(-time.Duration(rounds-1-i)*cadence)))
		}
		if len(rs) < diskCommit && i < rounds-1 {
			continue
		}
		if _, err := db.Keep(ctx, rs); err != nil {
			return err
		}
		rs = rs[:0]
	}
	return nil
}

// folderSize is the size of the files in a folder.
func folderSize(dir string) (size int64, err error) {
	files, err := os.ReadDir(dir)
	if err != nil {
		return 0, err
	}
	for _, f := range files {
		info, err := f.Info()
		if err != nil {
			return 0, err
		}
		if info.Mode().IsRegular() {
			size += info.Size()
		}
	}
	return size, nil
}

const (
	pacePerSecond = 1_000
	paceFor       = 20 * time.Second
)

func paced(ctx context.Context, b *bench) error {
	dir, err := os.MkdirTemp(b.dir, "paced-")
	if err != nil {
		return err
	}
	r, err := loadOne(ctx, pacePerSecond*int(paceFor/time.Second), pacePerSecond, "keeping-broker", dir)
	if err != nil {
		return err
	}
	b.note("held", r.perSecond, "messages/s")
	b.add("broker, intake and store", r.cpuPerMillion, "CPU-s per million readings", atMost, 40)
	b.note("ack, median", r.ackP50, "ms")
	b.add("ack, p99", r.ackP99, "ms", atMost, 50)
	return nil
}

func outside(ctx context.Context, b *bench) error {
	var c compared
	err := c.take(b.rounds, func() (rate, error) {
		return throughMosquitto(ctx, b, "counting-client")
	}, func() (rate, error) {
		return throughMosquitto(ctx, b, "keeping-client")
	})
	if err != nil {
		return err
	}
	b.note("counting only", medianOf(c.least, perSecond), "messages/s")
	b.note("counting only", medianOf(c.least, cpuPerMillion), "CPU-s per million readings, broker included")
	b.note("kept and acknowledged", medianOf(c.ours, perSecond), "messages/s")
	b.note("kept and acknowledged", medianOf(c.ours, cpuPerMillion), "CPU-s per million readings, broker included")
	b.add("kept against counting", c.ratio(), "", atLeast, 0.85)
	return nil
}

// throughMosquitto sends messages by way of Mosquitto to a client in a role,
// until that has acknowledged all of them.
func throughMosquitto(ctx context.Context, b *bench, role string) (rate, error) {
	dir, err := os.MkdirTemp(b.dir, "outside-")
	if err != nil {
		return rate{}, err
	}
	between, addr, err := beginMosquitto(ctx, dir)
	if err != nil {
		return rate{}, err
	}
	defer between.stop()
	args := []string{role, "tcp://" + addr, strconv.Itoa(outsideMessages)}
	if role == "keeping-client" {
		args = append(args, filepath.Join(dir, "store"))
	}
	taker, err := beginAs(ctx, args...)
	if err != nil {
		return rate{}, err
	}
	defer taker.stop()
	if _, err := taker.expect(ctx, "ready"); err != nil {
		return rate{}, err
	}
	sender, err := beginAs(ctx, "load", addr, strconv.Itoa(outsideMessages), "0")
	if err != nil {
		return rate{}, err
	}
	defer sender.stop()
	if _, err := sender.expect(ctx, "ready"); err != nil {
		return rate{}, err
	}
	begun := time.Now()
	before, err := cpuOf(between, taker)
	if err != nil {
		return rate{}, err
	}
	if _, err := taker.expect(ctx, "done "); err != nil {
		return rate{}, err
	}
	took := time.Since(begun)
	after, err := cpuOf(between, taker)
	if err != nil {
		return rate{}, err
	}
	return rate{perSecond: outsideMessages / took.Seconds(), cpuPerMillion: (after - before) / (outsideMessages * quantities) * 1e6},
		errors.Join(sender.end(), taker.stop(), between.stop())
}

func cpuOf(ps ...*process) (sum float64, err error) {
	for _, p := range ps {
		s, err := p.cpuSeconds()
		if err != nil {
			return 0, err
		}
		sum += s
	}
	return sum, nil
}
