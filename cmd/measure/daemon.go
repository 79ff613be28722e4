package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"html"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"time"

	"outyard"
	"outyard/simulator"
	"outyard/store/sqlite"
)

// replay runs the analyses over a year of 30 hives: as it arrived, with nodes
// that were out of reach for hours and days and sent their readings late, and
// as it would have without.
func replay(ctx context.Context, b *bench) error {
	season, err := b.inventSeason(ctx)
	if err != nil {
		return err
	}
	asArrived, inTime := filepath.Join(season, "readings.csv"), filepath.Join(season, "in-time.csv")
	if err := dropArrival(asArrived, inTime); err != nil {
		return err
	}
	for _, f := range []struct{ what, readings string }{{"replay of what came late, too", asArrived}, {"replay of what came in time", inTime}} {
		took, cpu, err := b.runToEnd(ctx, nil, "replay", "--config", filepath.Join(season, "config.yaml"), "--readings", f.readings)
		if err != nil {
			return err
		}
		const hiveYears = seasonYards * seasonHives * seasonDays / 365.0
		b.add(f.what+", as the clock has it", hiveYears/took.Minutes(), "hive-years a minute", atLeast, 300)
		// What other work on the machine takes away is not the replay's.
		b.note(fmt.Sprintf("%s, by its processor time on %d cores", f.what, runtime.GOMAXPROCS(0)),
			hiveYears/(cpu.Minutes()/float64(runtime.GOMAXPROCS(0))), "hive-years a minute, at most")
	}
	return nil
}

// dropArrival copies a readings file without its last column, which is when
// each row arrived.
func dropArrival(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	rows := bufio.NewWriter(out)
	lines := bufio.NewScanner(in)
	for n := 0; lines.Scan(); n++ {
		row, last, _ := strings.Cut(lines.Text(), ",arrival")
		if n > 0 {
			i := strings.LastIndexByte(row, ',')
			row = row[:max(i, 0)]
		} else if row == lines.Text() || last != "" {
			return fmt.Errorf("%s: the last column is not the arrival", from)
		}
		fmt.Fprintln(rows, row)
	}
	return errors.Join(lines.Err(), rows.Flush())
}

// daemon starts the daemon with a year of 30 hives, and reads its pages.
func daemon(ctx context.Context, b *bench) error {
	season, err := b.inventSeason(ctx)
	if err != nil {
		return err
	}
	config, data := filepath.Join(season, "config.yaml"), filepath.Join(b.dir, "year")
	if _, _, err := b.runToEnd(ctx, []string{"OUTYARD_DATA=" + data}, "import", filepath.Join(season, "readings.csv"), "--config", config); err != nil {
		return err
	}
	var s *serving
	for _, start := range []string{"first start to ready", "second start to ready"} {
		if s, err = b.serve(ctx, config, data); err != nil {
			return err
		}
		defer s.stop()
		b.add(start, s.readyAfter.Seconds(), "s", atMost, 2)
		took, err := s.evaluated(ctx, seasonYards)
		if err != nil {
			return err
		}
		b.note("every yard evaluated after", took.Seconds(), "s")
		if err := b.memory(s, "30 hives", 60); err != nil {
			return err
		}
		if start == "first start to ready" {
			if err := s.stop(); err != nil {
				return err
			}
		}
	}
	return errors.Join(b.pages(s), s.stop())
}

// memory adds what the daemon holds now, and the most that it held.
func (b *bench) memory(s *serving, what string, limitMiB float64) error {
	now, err := s.memoryMiB("VmRSS")
	if err != nil {
		return err
	}
	peak, err := s.memoryMiB("VmHWM")
	if err != nil {
		return err
	}
	b.note("memory with "+what+", evaluated", now, "MiB")
	b.add("peak memory with "+what, peak, "MiB", atMost, limitMiB)
	return nil
}

// Readers of a hive's page, and how often each looks.
const (
	readers = 10
	looks   = 10
)

// chart finds the charts of a page.
var chart = regexp.MustCompile(`<img src="([^"]+/([a-z-]+)\.svg[^"]*)"`)

// pages reads a hive's page with a year, and its charts.
func (b *bench) pages(s *serving) error {
	to := outyard.DateOf(time.Now(), time.UTC)
	page := fmt.Sprintf("/yards/%s/hives/%s?from=%s&to=%s", simulator.YardID(1), simulator.HiveID(1), to.Add(-seasonDays), to)
	status, body, err := s.get(page)
	if err != nil || status != http.StatusOK {
		return errors.Join(fmt.Errorf("page %s: %d", page, status), err)
	}
	charts := chart.FindAllStringSubmatch(body, -1)
	if len(charts) == 0 {
		return fmt.Errorf("page %s has no charts", page)
	}
	before, err := s.cpuSeconds()
	if err != nil {
		return err
	}
	p95, err := s.look(page)
	if err != nil {
		return err
	}
	after, err := s.cpuSeconds()
	if err != nil {
		return err
	}
	b.note("a hive's page with a year", (after-before)/(readers*looks)*1000, "CPU-ms each")
	b.add(fmt.Sprintf("a hive's page with a year, %d readers, p95", readers), p95, "ms", atMost, 100)
	for _, c := range charts {
		p95, err := s.look(html.UnescapeString(c[1]))
		if err != nil {
			return err
		}
		b.note("its chart "+c[2], p95, "ms")
	}
	return nil
}

// look reads a page as all readers do at once, and returns the time within
// which 95 of 100 had it, in ms.
func (s *serving) look(path string) (float64, error) {
	var all sync.WaitGroup
	took := make([][]time.Duration, readers)
	errs := make([]error, readers)
	for i := range readers {
		all.Go(func() {
			for range looks {
				begun := time.Now()
				status, body, err := s.get(path)
				if err != nil || status != http.StatusOK || len(body) < 500 {
					errs[i] = errors.Join(fmt.Errorf("page %s: %d, %d bytes", path, status, len(body)), err)
					return
				}
				took[i] = append(took[i], time.Since(begun))
			}
		})
	}
	all.Wait()
	var flat []time.Duration
	for _, t := range took {
		flat = append(flat, t...)
	}
	return percentile(flat, 95) / float64(time.Millisecond), errors.Join(errs...)
}

// burst sends the daemon weeks of readings as fast as it acknowledges them,
// which it evaluates meanwhile.
func burst(ctx context.Context, b *bench) error {
	config := filepath.Join(b.dir, "burst.yaml")
	if err := writeConfig(config, loadYards, loadHives); err != nil {
		return err
	}
	s, err := b.serve(ctx, config, filepath.Join(b.dir, "burst"))
	if err != nil {
		return err
	}
	defer s.stop()
	r, err := runLoad(ctx, s.process, s.mqtt, ingestMessages, 0)
	if err != nil {
		return err
	}
	b.note("kept and acknowledged", r.perSecond, "messages/s")
	b.note("analyses included, until the last ack", r.cpuPerMillion, "CPU-s per million readings")
	b.add("peak memory until the last ack", r.peakMiB, "MiB", atMost, 100)
	return s.stop()
}

// Many hives: as many as an outfit has that rents them out, and as many days
// as the analyses look back on sample by sample.
const (
	manyYards = 500
	manyHives = 20 // in each
	manyHours = 84
)

// many starts the daemon with what 10,000 hives sent.
func many(ctx context.Context, b *bench) error {
	config, data := filepath.Join(b.dir, "many.yaml"), filepath.Join(b.dir, "many")
	if err := writeConfig(config, manyYards, manyHives); err != nil {
		return err
	}
	if err := fillMany(ctx, data, time.Now().UTC().Truncate(cadence)); err != nil {
		return err
	}
	defer os.RemoveAll(data)
	s, err := b.serve(ctx, config, data)
	if err != nil {
		return err
	}
	defer s.stop()
	b.note("start to ready", s.readyAfter.Seconds(), "s")
	took, err := s.evaluated(ctx, manyYards)
	if err != nil {
		return err
	}
	b.note("every yard evaluated after", took.Seconds(), "s")
	return errors.Join(b.memory(s, "10,000 hives", 600), s.stop())
}

// fillMany keeps the readings of many hives up to an instant, a yard at a time.
func fillMany(ctx context.Context, dir string, newest time.Time) (err error) {
	db, err := sqlite.Open(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	const rounds = int(manyHours * time.Hour / cadence)
	rs := make([]outyard.Reading, 0, manyHives*rounds)
	for y := range manyYards {
		rs = rs[:0]
		for h := range manyHives {
			for i := range rounds {
				rs = append(rs, invented(loadYard(y), loadHive(h), y*manyHives+h, newest.Add(-time.Duration(rounds-1-i)*cadence)))
			}
		}
		if _, err := db.Keep(ctx, rs); err != nil {
			return err
		}
	}
	return nil
}
