package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/configs"
	"outyard/store"
)

// A fixedStore has what it is given, or does not answer.
type fixedStore struct {
	newest []outyard.Reading
	before []outyard.Reading // of the last day
	open   []outyard.Finding
	away   error
}

func (s *fixedStore) Newest(context.Context) ([]outyard.Reading, error) {
	if s.away != nil {
		return nil, s.away
	}
	return s.newest, nil
}

func (s *fixedStore) EachReading(_ context.Context, q store.Query, each func(outyard.Reading) error) error {
	for _, r := range s.before {
		if r.Time.Before(q.From) {
			return errors.New("more than the last day is asked for")
		}
		if err := each(r); err != nil {
			return err
		}
	}
	return s.away
}

func (s *fixedStore) Findings(_ context.Context, q store.Query) ([]outyard.Finding, string, error) {
	if q.State != outyard.Open {
		return nil, "", errors.New("more than what is open is asked for")
	}
	if s.away != nil {
		return nil, "", s.away
	}
	return s.open, "", nil
}

func TestMetricsOfEachHive(t *testing.T) {
	now := time.Date(2027, 5, 12, 12, 0, 0, 0, time.UTC)
	reading := func(hive outyard.HiveID, ago time.Duration, values map[outyard.Quantity]float64) outyard.Reading {
		r := outyard.NewReading("mill-lane", hive, now.Add(-ago))
		for q, v := range values {
			r.Values[q] = v
		}
		return r
	}
	yards := []outyard.Yard{{ID: "mill-lane", Hives: []outyard.Hive{{ID: "h01"}, {ID: "h02"}, {ID: "h03"}}}}
	db := &fixedStore{
		newest: []outyard.Reading{
			reading("", time.Minute, map[outyard.Quantity]float64{outyard.OutsideTemp: 3}),
			reading("h01", 50*time.Minute, map[outyard.Quantity]float64{outyard.Weight: 40, outyard.Battery: 3.9}),
			reading("h02", 25*time.Hour, map[outyard.Quantity]float64{outyard.Weight: 33}),
			reading("h99", time.Minute, map[outyard.Quantity]float64{outyard.Weight: 20}),
		},
		open: []outyard.Finding{
			{Yard: "mill-lane", Kind: outyard.FlowStart}, {Yard: "mill-lane", Hive: "h01", Kind: outyard.SensorFault},
			{Yard: "mill-lane", Hive: "h01", Kind: outyard.SensorFault}, {Yard: "elsewhere", Hive: "h01", Kind: outyard.Damp},
		},
		away: errors.New("the store is away"),
	}
	g := newHiveGauges(db, func() []outyard.Yard { return yards }, func() time.Time { return now }, slog.New(slog.DiscardHandler))
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(g)
	is := func(want string) {
		t.Helper()
		families, err := reg.Gather()
		require.NoError(t, err)
		var got []string
		for _, f := range families {
			for _, m := range f.Metric {
				var labels []string
				for _, l := range m.Label {
					labels = append(labels, l.GetName()+"="+l.GetValue())
				}
				got = append(got, strings.TrimPrefix(f.GetName(), "outyard_hive_")+" "+strings.Join(labels, " ")+" "+number(m.Gauge.GetValue()))
			}
		}
		require.Equal(t, want, strings.Join(got, "\n"))
	}

	// A broken store takes nothing else along.
	g.kept([]outyard.Reading{reading("h03", 20*time.Minute, map[outyard.Quantity]float64{outyard.InsideTemp: 34.5})})
	is("inside_temperature_celsius hive=h03 yard=mill-lane 34.5\n" +
		"last_reading_timestamp_seconds hive=h03 yard=mill-lane 1810122000")

	db.away = nil
	// Warmth comes apart from weight; what comes late changes nothing.
	g.kept([]outyard.Reading{
		reading("h01", 10*time.Minute, map[outyard.Quantity]float64{outyard.InsideTemp: 34.6, outyard.InsideRH: 58}),
		reading("h01", 5*time.Minute, map[outyard.Quantity]float64{outyard.Weight: 41.234}),
		reading("h01", 90*time.Minute, map[outyard.Quantity]float64{outyard.Weight: 39, outyard.Battery: 4.1}),
	})
	is(`battery_volts hive=h01 yard=mill-lane 3.9
inside_humidity_ratio hive=h01 yard=mill-lane 0.58
inside_temperature_celsius hive=h01 yard=mill-lane 34.6
inside_temperature_celsius hive=h03 yard=mill-lane 34.5
last_reading_timestamp_seconds hive=h01 yard=mill-lane 1810122900
last_reading_timestamp_seconds hive=h02 yard=mill-lane 1810033200
last_reading_timestamp_seconds hive=h03 yard=mill-lane 1810122000
open_findings hive= kind=flow-start yard=mill-lane 1
open_findings hive=h01 kind=sensor-fault yard=mill-lane 2
weight_grams hive=h01 yard=mill-lane 41234`)

	problems, err := testutil.GatherAndLint(reg)
	require.NoError(t, err)
	require.Empty(t, problems)
}

func TestMetricsOfHivesBeyondTheLimit(t *testing.T) {
	y := outyard.Yard{ID: "mill-lane"}
	now := time.Date(2027, 5, 12, 12, 0, 0, 0, time.UTC)
	var newest []outyard.Reading
	for i := range configs.MaxHivesInMetrics + 5 {
		h := outyard.Hive{ID: outyard.HiveID(fmt.Sprintf("h%04d", i))}
		r := outyard.NewReading(y.ID, h.ID, now)
		r.Values[outyard.Weight] = 40
		y.Hives, newest = append(y.Hives, h), append(newest, r)
	}
	var log strings.Builder
	g := newHiveGauges(&fixedStore{newest: newest}, func() []outyard.Yard { return []outyard.Yard{y} }, func() time.Time { return now }, slog.New(slog.NewTextHandler(&log, nil)))
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(g)
	for range 2 {
		n, err := testutil.GatherAndCount(reg, "outyard_hive_weight_grams")
		require.NoError(t, err)
		require.Equal(t, configs.MaxHivesInMetrics, n)
	}
	require.Equal(t, 1, strings.Count(log.String(), "too many hives"), "said once")
}

// TestMetricsOfEachHiveLive asks a daemon for them, before and after a restart.
func TestMetricsOfEachHiveLive(t *testing.T) {
	dir := t.TempDir()
	env := []string{ownBroker, "OUTYARD_METRICS_PER_HIVE=true",
		"OUTYARD_YARDS=[{id: home, latitude: 48.8, longitude: -123.3, timezone: America/Vancouver, hives: [{id: h1}]}]"}
	d := startDaemon(t, dir, env...)
	publish(t, d.mqtt, "yards/home/hives/h1", `[{"n":"weight","u":"kg","v":41.2}]`)
	publish(t, d.mqtt, "yards/home/hives/h1", `[{"n":"inside-rh","u":"%RH","v":58,"t":-60}]`) // apart, and measured before
	publish(t, d.mqtt, "yards/home/hives/h2", `[{"n":"weight","u":"kg","v":30}]`)             // in no yard
	has := []string{`outyard_hive_weight_grams{hive="h1",yard="home"} 41200`, `outyard_hive_inside_humidity_ratio{hive="h1",yard="home"} 0.58`,
		`outyard_hive_last_reading_timestamp_seconds{hive="h1",yard="home"} 1.`} // seconds, as 1.8e+09
	d.sees("/metrics", has...)
	require.Zero(t, d.stop())
	d = startDaemon(t, dir, env...)
	d.sees("/metrics", has...)
	_, text := d.get("/metrics")
	require.NotContains(t, text, `"h2"`)
	require.Zero(t, d.stop())
}
