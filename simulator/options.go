package simulator

import (
	"time"

	"outyard"
)

// Options say what to invent. The zero value gives two yards of six hives for
// a year at a reading every ten minutes, with a fair share of every trouble.
type Options struct {
	Start        time.Time     // default 1 March 2026; brought back to the local midnight before it
	End          time.Time     // exclusive; default Days after Start
	Days         int           // default 365; with End and no Start, Start is Days before End
	Yards        int           // default 2
	HivesPerYard int           // default 6
	Cadence      time.Duration // 1 to 60 minutes, default 10
	QuantumKg    float64       // the step in which scales show, default 0.01
	Rates        Rates
	// Script is what happens for certain, on top of what the rates bring.
	Script []Event
	// Calm leaves out whatever is not in the script, save weather, flows and
	// the keeper's usual work.
	Calm bool
	// NoKeeper leaves out the keeper's usual work.
	NoKeeper bool
}

// Rates are how often things happen: per hive and year, unless said otherwise.
// Zero stands for the default, negative for never. The defaults are common
// practice, no source.
type Rates struct {
	Swarms      float64 // prime swarms, default 0.3
	Splits      float64 // default 0.25
	Sneaky      float64 // short midday work that takes 1 to 3 kg, default 0.5
	Damp        float64 // hives going damp, default 0.15
	Robbing     float64 // default 0.12
	DeadOuts    float64 // default 0.05
	Lean        float64 // share of hives that begin with little, are left little and not fed, default 0.08
	Knocks      float64 // default 0.03
	Thefts      float64 // default 0.01
	ScaleSets   float64 // default 0.2
	Silences    float64 // nodes dead for days, default 0.3
	Outages     float64 // a yard's radio out, then a backlog; per yard and year, default 3
	Stuck       float64 // scales that repeat themselves for hours, default 0.15
	Spikes      float64 // wild readings, default 4
	Queenless   float64 // queens that fail or are lost in the time of brood, default 0.1
	Faults      float64 // other sensors that lie for days or weeks, default 0.15
	Drifts      float64 // scales whose zero moves for days or weeks, default 0.1
	Wanders     float64 // probes that the keeper puts elsewhere, default 0.06
	Batteries   float64 // how many times as fast as usual batteries run down, default 1
	DroppedRows float64 // share of readings that are never seen, default 0.015
	Visits      float64 // how many times as often as usual the keeper comes, default 1
}

// An Event is a thing that is to happen for certain, in the words of a [Label].
// Kinds: swarm (Kg, Returned, Cast), damp, robbing (Kg a day), knocked-over
// (What [Stolen]), dead-out, silent (What [Backlog]: the whole yard, or
// [Lost]), brood-cold (the queen stops laying), battery-low (gives out some three weeks later), sensor-fault (What
// [Stuck], [Spike], [Unplugged] and so on), moved-probe, handling (What a kind of
// journal entry, Kg), flow (Kg of nectar a fine day for a colony of 3.5 kg of
// bees; with a flow in the script, its year has no others), and [FineWeather].
type Event struct {
	Kind     outyard.Kind
	What     string
	Yard     outyard.YardID // of a flow: empty for every yard
	Hive     outyard.HiveID
	Time     time.Time
	End      time.Time // of what lasts; zero for a length by chance
	Kg       float64   // zero for an amount by chance
	Cast     bool
	Returned bool
}

// FineWeather is an event: dry, sunny and calm days in the whole district.
const FineWeather outyard.Kind = "fine-weather"

// The district, made up.
const (
	latitudeDeg  = 48.8
	longitudeDeg = -123.3
	zoneName     = "America/Vancouver"
)

const yearSec = 365.25 * 24 * 3600

func (o Options) withDefaults(zone *time.Location) Options {
	if o.Days <= 0 {
		o.Days = 365
	}
	switch {
	case o.Start.IsZero() && o.End.IsZero():
		o.Start = time.Date(2026, time.March, 1, 0, 0, 0, 0, zone)
	case o.Start.IsZero():
		o.Start = o.End.In(zone).AddDate(0, 0, -o.Days)
	}
	o.Start = outyard.DateOf(o.Start, zone).Start(zone)
	if o.End.IsZero() {
		o.End = o.Start.AddDate(0, 0, o.Days)
	}
	if o.Yards <= 0 {
		o.Yards = 2
	}
	if o.HivesPerYard <= 0 {
		o.HivesPerYard = 6
	}
	if o.Cadence == 0 {
		o.Cadence = 10 * time.Minute
	}
	o.Cadence = min(max(o.Cadence.Round(time.Second), time.Minute), time.Hour)
	if o.QuantumKg <= 0 {
		o.QuantumKg = 0.01
	}
	r := &o.Rates
	for _, d := range []struct {
		rate    *float64
		usual   float64
		trouble bool
	}{
		{&r.Swarms, 0.3, true}, {&r.Splits, 0.25, true}, {&r.Sneaky, 0.5, true}, {&r.Damp, 0.15, true},
		{&r.Robbing, 0.12, true}, {&r.DeadOuts, 0.05, true}, {&r.Lean, 0.08, true}, {&r.Knocks, 0.03, true}, {&r.Thefts, 0.01, true},
		{&r.ScaleSets, 0.2, true}, {&r.Silences, 0.3, true}, {&r.Outages, 3, true}, {&r.Stuck, 0.15, true},
		{&r.Spikes, 4, true}, {&r.Batteries, 1, true}, {&r.Faults, 0.15, true}, {&r.Drifts, 0.1, true}, {&r.Wanders, 0.06, true}, {&r.Queenless, 0.1, true}, {&r.DroppedRows, 0.015, true}, {&r.Visits, 1, false},
	} {
		if *d.rate == 0 && !(o.Calm && d.trouble) {
			*d.rate = d.usual
		}
		*d.rate = max(*d.rate, 0)
	}
	if o.NoKeeper {
		r.Visits, r.Splits, r.Sneaky, r.ScaleSets = 0, 0, 0, 0
	}
	return o
}
