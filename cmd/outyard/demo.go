package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"outyard"
	"outyard/collector/senml"
	"outyard/configs"
	"outyard/simulator"
	"outyard/store/sqlite"
)

// The demonstration: which invented season, and how fast its present goes by.
const (
	demoSeed      = 8
	demoQuicken   = 240  // four minutes a second: a swarm within the first minute
	leastDemoDays = 21   // a flow is found, and a swarm, against what was usual before
	mostQuicken   = 3600 // an hour a second: the nodes and the analyses still keep pace
	demoPerHour   = 6    // messages, as where a config does not say
	demoMarker    = "invented-data"
)

// demoPlay is how much of the past is invented, and how fast the present goes by.
type demoPlay struct{ days, quicken int }

func (p demoPlay) past() string {
	if p.days == simulator.DemoDays {
		return "thirteen months"
	}
	return fmt.Sprintf("%d days", p.days)
}

// demoMarkerText says to whoever finds the folder what it is, and to us that it may
// be made anew.
const demoMarkerText = "Everything in this folder is invented by \"outyard demo\", which replaces it at each start.\n"

func newDemo() *cobra.Command {
	var listen, data string
	var length time.Duration
	play := demoPlay{days: simulator.DemoDays, quicken: demoQuicken}
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Show a year of invented yards, and then their present, quickened",
		Long: `Invents two yards with their weather, colonies and keeper, keeps their last
thirteen months, or less of it with --days, and goes on from there: their nodes
send over MQTT as real ones would, an hour in 15 seconds unless --quicken says
otherwise. At that pace a colony swarms within the first minute, and what the
keeper would be told is said here in a line. All data are invented, and the
pages say so. Nobody has to sign in, until somebody is given an account there
(OUTYARD_DATA=outyard-demo outyard keeper add NAME). Nothing is left behind but
the data folder.`,
		Example: "  outyard demo\n  outyard demo --listen 127.0.0.1:9000 --for 5m",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, stop := context.WithCancel(cmd.Context())
			defer stop()
			opened := func() {}
			switch {
			case length < 0:
				return useWrongly("--for %s: want a length such as 5m", length)
			case length > 0:
				// From the opening on: how long the inventing takes is nobody's
				// choice.
				opened = func() { time.AfterFunc(length, stop) }
			}
			if play.days < leastDemoDays || play.days > simulator.DemoDays {
				return useWrongly("--days %d: want %d to %d", play.days, leastDemoDays, simulator.DemoDays)
			}
			if play.quicken < 1 || play.quicken > mostQuicken {
				return useWrongly("--quicken %d: want 1 to %d", play.quicken, mostQuicken)
			}
			if err := makeDemoFolder(data); err != nil {
				return err
			}
			cfg := configs.Config{Listen: listen, Data: data, MQTT: configs.MQTT{Embedded: &configs.Embedded{Listen: "127.0.0.1:0"}},
				Tell: []configs.Route{{Name: "the screen of the demo", To: []configs.Secret{"aloud:"}, AllYards: true, From: outyard.Soon, PerHour: demoPerHour}}}
			err := runDemo(ctx, cmd, cfg, play, opened)
			if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
				return nil // stopped by whoever watches, or by --for
			}
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&listen, "listen", "127.0.0.1:8377", "`ADDRESS` of the pages")
	f.StringVar(&data, "data", "outyard-demo", "`DIR` for the invented data; it is made anew at each start")
	f.DurationVar(&length, "for", 0, "stop this `DURATION` after the pages open; 0 is never")
	f.IntVar(&play.days, "days", play.days, "invent so many `DAYS` of the past")
	f.IntVar(&play.quicken, "quicken", play.quicken, "let the present go by so many `TIMES` as fast")
	return cmd
}

// makeDemoFolder makes the data folder anew. A folder that is not a
// demonstration's is left alone.
func makeDemoFolder(dir string) error {
	marker := filepath.Join(dir, demoMarker)
	left, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return fmt.Errorf("data folder of the demo: %w", err)
	case len(left) > 0:
		if _, err := os.Stat(marker); err != nil {
			return fmt.Errorf("folder %s has something in it that is not a demo's: choose another with --data", dir)
		}
		if err := os.RemoveAll(dir); err != nil {
			return fmt.Errorf("make the demo's data folder anew: %w", err)
		}
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	return os.WriteFile(marker, []byte(demoMarkerText), 0o600)
}

// A demoClock stands at the demonstration's present until it is started, and
// then goes quickened.
type demoClock struct {
	at      time.Time
	quicken int
	started chan struct{}
	since   time.Time
}

func (c *demoClock) start() {
	c.since = time.Now()
	close(c.started)
}

func (c *demoClock) now() time.Time {
	select {
	case <-c.started:
		return c.at.Add(time.Since(c.since) * time.Duration(c.quicken))
	default:
		return c.at
	}
}

// realTime is when the clock will show an instant.
func (c *demoClock) realTime(at time.Time) time.Time {
	return c.since.Add(at.Sub(c.at) / time.Duration(c.quicken))
}

// runDemo invents the season, opens the pages, calls opened, and plays on.
func runDemo(ctx context.Context, cmd *cobra.Command, cfg configs.Config, play demoPlay, opened func()) error {
	out := cmd.OutOrStdout()
	clock := &demoClock{at: simulator.DemoNow(time.Now()), quicken: play.quicken, started: make(chan struct{})}
	opts := simulator.DemoOptions(clock.at)
	opts.Start = clock.at.AddDate(0, 0, -play.days)
	season := simulator.Invent(demoSeed, opts)
	cfg.Yards = season.Yards()

	fmt.Fprintln(out, "Inventing two yards and their last "+play.past()+"; all data are invented.")
	life, ctx := errgroup.WithContext(ctx)
	sent := make(chan simulator.Sent, 1024)
	life.Go(func() error {
		defer close(sent)
		_, err := season.Send(func(s simulator.Sent) error {
			select {
			case sent <- s:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
		return err
	})
	next, err := backfill(ctx, cmd, cfg.Data, play.days, clock.at, sent)
	if err != nil {
		return errors.Join(err, life.Wait())
	}
	life.Go(func() error {
		return serve(ctx, cfg, daemon{
			log: slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil)), now: clock.now, demo: true, aloud: aloud{out},
			ready: func(pages, broker net.Addr) {
				fmt.Fprintf(out, "Open http://%s/ in a browser. It is %s there, and an hour goes by in %s. Stop with Ctrl-C.\n",
					pages, clock.at.In(cfg.Yards[0].Zone).Format("Monday 2 January 2006, 15:04"), time.Hour/time.Duration(play.quicken))
				clock.start()
				opened()
				life.Go(func() error { return sendLive(ctx, broker, clock, next, sent) })
			},
		})
	})
	return life.Wait()
}

// aloud is the demonstration's way to tell: whoever started it reads along.
type aloud struct{ out io.Writer }

// Deliver prints what a mail would have in its subject.
func (a aloud) Deliver(_ context.Context, m outyard.Message, _ string) error {
	_, err := fmt.Fprintln(a.out, "The keeper is told:", m.Subject)
	return err
}

// backfill keeps what arrived before the present, and returns the first that
// arrives after.
func backfill(ctx context.Context, cmd *cobra.Command, dir string, days int, present time.Time, sent <-chan simulator.Sent) (next simulator.Sent, err error) {
	db, err := sqlite.Open(ctx, dir)
	if err != nil {
		return next, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	const batch = 10_000
	readings := make([]outyard.Reading, 0, batch)
	keep := func() error {
		_, err := db.Keep(ctx, readings)
		readings = readings[:0]
		return err
	}
	bar := newBar(cmd.ErrOrStderr(), "invent", int64(days))
	defer bar.done()
	for s := range sent {
		if s.Arrival.After(present) {
			return s, keep()
		}
		if readings = append(readings, s.Reading); len(readings) == batch {
			bar.at(int64(days) - int64(present.Sub(s.Arrival)/(24*time.Hour)))
			if err := keep(); err != nil {
				return next, err
			}
		}
	}
	return next, errors.Join(ctx.Err(), errors.New("the invented season ended before its present"))
}

// sendLive sends what arrives from the present on, each when the clock comes
// to it, as the nodes would.
func sendLive(ctx context.Context, broker net.Addr, clock *demoClock, next simulator.Sent, sent <-chan simulator.Sent) error {
	node := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + broker.String()).SetClientID("invented-nodes").SetConnectTimeout(brokerPatience))
	// Once the demo is asked to stop, the broker may be gone before the nodes
	// notice: that is no failure of theirs.
	if err := wait(ctx, node.Connect()); err != nil {
		return cmp.Or(ctx.Err(), fmt.Errorf("connect the invented nodes: %w", err))
	}
	defer node.Disconnect(250) // ms, for what is still on its way out
	for ok := true; ok; next, ok = <-sent {
		if err := until(ctx, clock.realTime(next.Arrival)); err != nil {
			return err
		}
		if pack := senml.Encode([]outyard.Reading{next.Reading}); pack != nil {
			if err := wait(ctx, node.Publish(topicOf("", next.Reading), 1, false, pack)); err != nil {
				return cmp.Or(ctx.Err(), fmt.Errorf("send as an invented node: %w", err))
			}
		}
	}
	return nil
}
