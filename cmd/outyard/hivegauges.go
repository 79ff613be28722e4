package main

import (
	"context"
	"log/slog"
	"math"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"outyard"
	"outyard/collector"
	"outyard/configs"
	"outyard/store"
)

const (
	// gaugeLasts is how old a value may be and still be told: a node sends once
	// an hour at the seldomest, and what it sent before yesterday must not look
	// like a level line of today.
	gaugeLasts = 24 * time.Hour
	// gaugesWithin is how long a scrape waits for the store; a metrics server
	// waits ten seconds by itself.
	gaugesWithin = 5 * time.Second
)

// gaugesStore is what the metrics of hives ask of a store.
type gaugesStore interface {
	Newest(ctx context.Context) ([]outyard.Reading, error)
	EachReading(ctx context.Context, q store.Query, each func(outyard.Reading) error) error
	Findings(ctx context.Context, q store.Query) (items []outyard.Finding, next string, err error)
}

// A measure is a quantity as a metrics server wants it: in a base unit.
type measure struct {
	quantity outyard.Quantity
	in       func(float64) float64
	desc     *prometheus.Desc
}

func hiveDesc(name, help string, more ...string) *prometheus.Desc {
	return prometheus.NewDesc("outyard_hive_"+name, help, append([]string{"yard", "hive"}, more...), nil)
}

var (
	same     = func(v float64) float64 { return v }
	measures = []measure{
		{outyard.Weight, func(kg float64) float64 { return math.Round(kg * 1000) }, // kept to the gram
			hiveDesc("weight_grams", "What the hive weighed last, wood, bees and all; absent when that was more than a day ago.")},
		{outyard.InsideTemp, same, hiveDesc("inside_temperature_celsius", "The warmth in the hive, last; absent when that was more than a day ago.")},
		{outyard.InsideRH, func(pct float64) float64 { return pct / 100 },
			hiveDesc("inside_humidity_ratio", "The relative humidity in the hive, 0 to 1, last; absent when that was more than a day ago.")},
		{outyard.Battery, same, hiveDesc("battery_volts", "The voltage of the node's battery, last; absent when that was more than a day ago.")},
	}
	lastHeard    = hiveDesc("last_reading_timestamp_seconds", "When the newest reading of the hive is from, by the clock of its node, in seconds since 1970.")
	openFindings = hiveDesc("open_findings", "Findings that are open at the hive, by kind; at the whole yard where hive is empty; absent when there are none.", "kind")
)

// hiveGauges are metrics of each hive of the config, for who asked for them.
// Nodes send their quantities apart, some of them: of each the last is told.
type hiveGauges struct {
	db    gaugesStore
	yards func() []outyard.Yard
	now   func() time.Time
	log   *slog.Logger

	mu      sync.Mutex
	begun   bool // what the store has has been read
	latest  map[collector.Place]*latestOf
	tooMany bool // it was logged
}

// latestOf is of each quantity the last value, and when it was measured.
type latestOf struct {
	values [outyard.NumQuantities]float64
	at     [outyard.NumQuantities]time.Time
	heard  time.Time
}

func newHiveGauges(db gaugesStore, yards func() []outyard.Yard, now func() time.Time, log *slog.Logger) *hiveGauges {
	return &hiveGauges{db: db, yards: yards, now: now, log: log, latest: map[collector.Place]*latestOf{}}
}

// kept takes readings that the store has.
func (g *hiveGauges) kept(rs []outyard.Reading) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for i := range rs {
		r := &rs[i]
		place := collector.Place{Yard: r.Yard, Hive: r.Hive}
		of := g.latest[place]
		if of == nil {
			of = &latestOf{}
			g.latest[place] = of
		}
		if r.Time.After(of.heard) {
			of.heard = r.Time
		}
		for q, v := range r.Values {
			if outyard.Known(v) && !r.Time.Before(of.at[q]) {
				of.values[q], of.at[q] = v, r.Time
			}
		}
	}
}

// begin reads what was kept before we started, once that works.
func (g *hiveGauges) begin(ctx context.Context) error {
	g.mu.Lock()
	begun := g.begun
	g.mu.Unlock()
	if begun {
		return nil
	}
	newest, err := g.db.Newest(ctx)
	if err != nil {
		return err
	}
	g.kept(newest)
	// What a node sent apart, and last before its newest reading, is no part of
	// that. One reading at a time, so that a day of them takes no memory.
	one := make([]outyard.Reading, 1)
	err = g.db.EachReading(ctx, store.Query{From: g.now().Add(-gaugeLasts)}, func(r outyard.Reading) error {
		one[0] = r
		g.kept(one)
		return nil
	})
	if err != nil {
		return err
	}
	g.mu.Lock()
	g.begun = true
	g.mu.Unlock()
	return nil
}

// Describe is that of a prometheus.Collector.
func (g *hiveGauges) Describe(to chan<- *prometheus.Desc) {
	for _, m := range measures {
		to <- m.desc
	}
	to <- lastHeard
	to <- openFindings
}

// Collect is that of a prometheus.Collector. A store that does not answer
// leaves out what only it knows: the rest of the metrics is wanted then most.
func (g *hiveGauges) Collect(to chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), gaugesWithin)
	defer cancel()
	if err := g.begin(ctx); err != nil {
		g.log.Warn("metrics of hives: what was kept before the start is not told yet", "error", err)
	}
	open, _, err := g.db.Findings(ctx, store.Query{State: outyard.Open})
	if err != nil {
		g.log.Warn("metrics of hives: open findings are not told", "error", err)
	}
	findings := map[collector.Place]map[outyard.Kind]int{}
	for _, f := range open {
		place := collector.Place{Yard: f.Yard, Hive: f.Hive}
		if findings[place] == nil {
			findings[place] = map[outyard.Kind]int{}
		}
		findings[place][f.Kind]++
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	hives := 0
	for _, y := range g.yards() {
		g.tellFindings(to, y.ID, "", findings)
		for _, h := range y.Hives {
			// The config is refused above the limit; yards that place themselves,
			// and a config read again, come past that.
			if hives++; hives > configs.MaxHivesInMetrics {
				if !g.tooMany {
					g.log.Warn("metrics of hives: there are too many hives, and the last of them are not told", "most", configs.MaxHivesInMetrics)
				}
				g.tooMany = true
				return
			}
			g.tellFindings(to, y.ID, h.ID, findings)
			of := g.latest[collector.Place{Yard: y.ID, Hive: h.ID}]
			if of == nil {
				continue
			}
			tell := func(d *prometheus.Desc, v float64) {
				to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, string(y.ID), string(h.ID))
			}
			tell(lastHeard, float64(of.heard.Unix()))
			for _, m := range measures {
				if at := of.at[m.quantity]; !at.IsZero() && g.now().Sub(at) <= gaugeLasts {
					tell(m.desc, m.in(of.values[m.quantity]))
				}
			}
		}
	}
}

func (g *hiveGauges) tellFindings(to chan<- prometheus.Metric, yard outyard.YardID, hive outyard.HiveID, all map[collector.Place]map[outyard.Kind]int) {
	for kind, n := range all[collector.Place{Yard: yard, Hive: hive}] {
		to <- prometheus.MustNewConstMetric(openFindings, prometheus.GaugeValue, float64(n), string(yard), string(hive), string(kind))
	}
}
