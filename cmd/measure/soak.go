package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
)

// A day of 10,000 hives, as fast as the daemon takes it.
const (
	soakHours  = 24
	soakRounds = int(time.Hour / cadence) // in each
	// soakSettles is the hour from which on the daemon's memory must be flat:
	// queues and buffers have found their size by then.
	soakSettles = 4
	// soakGrows, by a twentieth, is what the heap swings by from one clearing
	// up to the next.
	soakGrows = 1.05
	// soakLongest is when a soak is given up.
	soakLongest = time.Hour
)

// soak sends the daemon a day of 10,000 hives, after as many days before as the
// analyses look back on, and says what it held of memory hour by hour.
func soak(ctx context.Context, b *bench) error {
	newest := time.Now().UTC().Truncate(cadence).Add(-soakHours * time.Hour)
	config, data := filepath.Join(b.dir, "soak.yaml"), filepath.Join(b.dir, "soak")
	if err := writeConfigAt(config, manyYards, manyHives, fiveAtNight(time.Now())); err != nil {
		return err
	}
	if err := fillMany(ctx, data, newest); err != nil {
		return err
	}
	defer os.RemoveAll(data)
	s, err := b.serve(ctx, config, data)
	if err != nil {
		return err
	}
	defer s.stop()
	if _, err := s.evaluated(ctx, manyYards); err != nil {
		return err
	}
	nodes := make([]*node, loadConnections)
	for i := range nodes {
		if nodes[i], err = dial(ctx, s.mqtt, fmt.Sprintf("node-%02d", i)); err != nil {
			return err
		}
	}
	begun, sent := time.Now(), 0
	cpu, err := s.cpuSeconds()
	if err != nil {
		return err
	}
	var settled float64
	for hour := range soakHours {
		began, messages := time.Now(), giveHour(nodes, newest.Add(time.Duration(hour)*time.Hour))
		if err := flood(nodes); err != nil {
			return err
		}
		if err := s.lookedAtAll(ctx); err != nil {
			return err
		}
		sent += messages
		held, err := s.memoryMiB("VmRSS")
		if err != nil {
			return err
		}
		if hour+1 == soakSettles {
			settled = held
		}
		fmt.Printf("  hour %2d: %d messages, kept and looked at after %s; memory %.0f MiB\n", hour+1, messages, time.Since(began).Round(time.Second/10), held)
		if hour+1 == soakHours {
			b.add(fmt.Sprintf("memory after the last hour, of that after hour %d", soakSettles), held/settled, "times", atMost, soakGrows)
		}
	}
	took := time.Since(begun)
	after, err := s.cpuSeconds()
	if err != nil {
		return err
	}
	for _, n := range nodes {
		if err := n.leave(); err != nil {
			return err
		}
	}
	b.note("a day of 10,000 hives took", took.Minutes(), "min")
	b.note("kept, acknowledged and looked at", float64(sent)/took.Seconds(), "messages/s")
	const quantities = 4 // in a message
	b.note("analyses included", (after-cpu)/(quantities*float64(sent)/1e6), "CPU-s per million readings")
	anew, err := s.metric("outyard_alerts_rebuilds_total")
	if err != nil {
		return err
	}
	b.note("yards evaluated anew meanwhile", anew-manyYards, "")
	if err := errors.Join(b.memory(s, "10,000 hives", 600), s.stop()); err != nil {
		return err
	}
	kept, err := countSince(ctx, data, newest.Add(time.Second))
	b.add("acknowledged and not kept", float64(sent-kept), "messages", atMost, 0)
	return err
}

// fiveAtNight is the place where it is between four and five in the morning:
// its date of yesterday, from four on, is not counted yet, so that what comes
// of the last day comes in its turn and not late.
func fiveAtNight(now time.Time) place {
	east := (4 - now.UTC().Hour() + 24) % 24
	if east > 12 {
		east -= 24
	}
	// The zones of this family have their sign the other way round (tz
	// database, file etcetera).
	return place{zone: fmt.Sprintf("Etc/GMT%+d", -east), longitude: 15 * east}
}

// giveHour gives each node its hives' packs of the hour that begins after an
// instant, and says how many.
func giveHour(nodes []*node, from time.Time) (messages int) {
	for _, n := range nodes {
		n.packets, n.sent = n.packets[:0], 0
	}
	for round := range soakRounds {
		at := from.Add(time.Duration(round+1) * cadence)
		for hive := range manyYards * manyHives {
			r := invented(loadYard(hive/manyHives), loadHive(hive%manyHives), hive, at)
			nodes[hive%len(nodes)].add(r)
			messages++
		}
	}
	return messages
}

// lookedAtAll waits until nothing that was kept waits for the analyses.
func (s *serving) lookedAtAll(ctx context.Context) error {
	poll := time.NewTicker(50 * time.Millisecond)
	defer poll.Stop()
	for {
		n, err := s.metric("outyard_alerts_waiting_readings")
		if err != nil || n == 0 {
			return err
		}
		select {
		case <-poll.C:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// countSince is how many readings a store has from an instant on.
func countSince(ctx context.Context, dir string, from time.Time) (n int, err error) {
	db, err := sqlite.Open(ctx, dir)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	for y := range manyYards {
		err := db.EachReading(ctx, store.Query{Yard: loadYard(y), From: from}, func(outyard.Reading) error {
			n++
			return nil
		})
		if err != nil {
			return n, err
		}
	}
	return n, nil
}
