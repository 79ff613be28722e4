package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"outyard"
	"outyard/alerts"
	"outyard/alerts/mail"
	"outyard/alerts/mqtt"
	"outyard/alerts/shout"
	"outyard/alerts/webhook"
	"outyard/collector"
	"outyard/collector/broker"
	"outyard/collector/client"
	"outyard/collector/mapping"
	"outyard/configs"
	"outyard/store/sqlite"
	"outyard/web"
)

// newServe is the daemon.
func newServe() *cobra.Command {
	var logFormat string
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Take readings, keep them, say what they mean and tell the keeper",
		Long: `Runs until it is told to stop (SIGTERM, or Ctrl-C): takes readings over MQTT,
keeps them, evaluates them as they come, tells the keeper, and shows the pages.
Without a config the defaults are in force and whatever sends gets a place.
When readings can be taken it logs one line "ready" with its addresses.

On SIGHUP it reads the config again, and puts yards, hives, mappings and who is
told in force as they are now; what takes a restart is named in the log. A
config with a mistake changes nothing: the log, the page Today and the metrics
say so.`,
		Example: "  outyard serve\n  outyard serve --config /etc/outyard/outyard.yaml --log json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			// From here on, since by itself the signal would end us.
			reload := make(chan os.Signal, 1)
			signal.Notify(reload, syscall.SIGHUP)
			defer signal.Stop(reload)
			load := func() (configs.Config, error) {
				return loadConfig(cmd, cmd.Flags().Lookup("listen"), cmd.Flags().Lookup("data"), cmd.Flags().Lookup("debug"))
			}
			cfg, err := load()
			if err != nil {
				return err
			}
			if err := asOwner(cfg.Data); err != nil {
				return err
			}
			log, err := newLog(cmd, cfg.Log, logFormat)
			if err != nil {
				return err
			}
			if os.Getenv("GOGC") == "" {
				debug.SetGCPercent(gcPercent(cfg))
			}
			if cfg.Debug != "" {
				runtime.MemProfileRate = heapSampleBytes
			}
			if cfg.File == "" {
				log.Warn("no config: defaults are in force, and whatever sends gets a place", "cure", "write "+configs.DefaultFile+"; configs/minimal.yaml is a start")
			}
			boss, err := newSupervisor(os.Getenv, log)
			if err != nil {
				return err
			}
			defer boss.close()
			return serve(cmd.Context(), cfg, daemon{log: log, now: time.Now, boss: boss, reload: reload, load: load})
		},
	}
	cmd.Flags().String("listen", "", "`ADDRESS` of pages, API and metrics, instead of the config's")
	cmd.Flags().String("data", "", "`DIR` of the store, instead of the config's")
	cmd.Flags().String("debug", "", "`ADDRESS` of the profiler, on this machine alone, instead of the config's; usually none")
	cmd.Flags().StringVar(&logFormat, "log", "", "`FORM` of the log, text or json, instead of the config's")
	return cmd
}

// gcPercent is by how much the heap may grow before it is cleared up. Memory is
// dearer than the CPU that this costs, on a small computer and with many
// hives: what is remembered of those is nearly all of the heap, and little of
// it changes with a reading (make bench, make soak: memory of the daemon).
func gcPercent(cfg configs.Config) int {
	const manyHives, thousands = 1000, 5000
	hives := 0
	for _, y := range cfg.Yards {
		hives += len(y.Hives)
	}
	switch {
	case hives >= thousands:
		return 5
	case hives >= manyHives:
		return 10
	}
	return 20
}

// heapSampleBytes is how much is allocated from one sample of the heap profile
// to the next: the runtime's own default.
const heapSampleBytes = 512 << 10

// newLog is the log that the config asks for, or, where it is given, the flag.
func newLog(cmd *cobra.Command, as configs.Log, format string) (*slog.Logger, error) {
	switch format {
	case "":
	case "text", "json":
		as.JSON = format == "json"
	default:
		return nil, useWrongly("--log %q: want text or json", format)
	}
	opts := &slog.HandlerOptions{Level: as.Level}
	if as.JSON {
		return slog.New(slog.NewJSONHandler(cmd.ErrOrStderr(), opts)), nil
	}
	return slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), opts)), nil
}

// A daemon is what serve is given besides the config.
type daemon struct {
	log  *slog.Logger
	now  func() time.Time
	demo bool // marks every page as showing invented data
	// aloud tells by addresses that begin with aloud; nil: nobody does.
	aloud alerts.Channel
	boss  *supervisor
	// reload asks for the config to be read again, by load; both nil: it never is.
	reload <-chan os.Signal
	load   func() (configs.Config, error)
	// ready, if not nil, is called once readings can be taken.
	ready func(pages, mqtt net.Addr)
}

// upgrading says that a store is brought up to date, which may take a while.
func (d daemon) upgrading(u sqlite.Upgrade) {
	d.log.Info("the store is brought up to date; a copy of it as it was is made first", "from_schema", u.From, "to_schema", u.To, "copy", u.Backup)
	d.boss.upgrading()
}

// serve wires the daemon, straight down, in the order in which things need
// each other, and runs it until ctx ends. What is opened first is closed last.
func serve(ctx context.Context, cfg configs.Config, d daemon) error {
	state, err := sqlite.Open(ctx, cfg.Data, d.upgrading)
	if err != nil {
		return fmt.Errorf("open store in %s: %w", cfg.Data, err)
	}
	defer state.Close()
	pagesAt, err := listenForPages(cfg, web.IsLoopback, func() (bool, error) { return state.HasKeepers(ctx) }, d.log)
	if err != nil {
		return err
	}
	defer pagesAt.Close()
	if old := cfg.OutOfDate(d.now()); old != nil {
		d.log.Error("certificates are out of date: whoever looks at them will not connect", "error", old)
	}
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	// inner runs until ctx ends; outer lives on until inner has stopped, so
	// that what the fronts took is committed and acknowledged.
	var inner, outer []runner
	if cfg.Debug != "" {
		debugging, err := openDebug(cfg.Debug, d.log)
		if err != nil {
			return err
		}
		inner = append(inner, debugging)
	}

	db, done, err := openReadings(ctx, cfg, state, d, reg, &outer)
	if err != nil {
		return err
	}
	defer done()
	if days := cfg.Store.DropReadingsAfterDays; days > 0 {
		inner = append(inner, dropOld(days, state.DropReadings, d.now, d.log, reg))
	}
	if err := takeOver(ctx, cfg, state, db, d.now, d.log); err != nil {
		return err
	}
	places, err := newRegister(ctx, cfg, db)
	if err != nil {
		return err
	}
	routes := routesOf(cfg)
	words, links, err := linksOf(cfg, pagesAt.Addr())
	if err != nil {
		return err
	}
	brokers := &fronts{}
	announcer := mqtt.NewAnnouncer(brokers, d.log)
	var outbox *alerts.Outbox
	learnt := &scales{}
	watch := alerts.NewWatcher(db, learnt.newCourse, alerts.Options{
		Yards: places.all(), Routes: routes, Writer: words,
		Queued:   func() { outbox.Nudge() },
		Announce: announcer.Announce,
	}, d.now, d.log, reg)
	outbox = alerts.NewOutbox(state, alerts.OutboxOptions{
		Routes: routes, Writer: words, Yard: places.yard, Told: watch.Told, Answered: watch.Answered, Links: links, Jitter: rand.Float64,
		Picture: func(ctx context.Context, yard outyard.Yard, f outyard.Finding) ([]byte, string, error) {
			return web.Evidence(ctx, db, yard, f, d.now())
		},
		Channels: channels(d),
	}, d.now, d.log, reg)
	morning := alerts.NewMorning(state, alerts.MorningOptions{Routes: routes, Yards: places.all, Writer: words, Queued: outbox.Nudge}, d.now, d.log)
	inner = append(inner, watch.Run, outbox.Run, morning.Run, announcer.Run)

	mappings, err := mapping.NewSet(cfg.Mappings)
	if err != nil {
		return err
	}
	feed := web.NewFeed()
	hives := newHiveGauges(db, places.all, d.now, d.log)
	if cfg.HivesInMetrics {
		reg.MustRegister(hives)
	}
	intake := collector.New(db, places, collector.Options{
		Prefix: cfg.MQTT.TopicPrefix, Mappings: mappings,
		Kept: func(fresh []outyard.Reading, arrived time.Time) {
			for _, y := range places.notice(fresh) {
				watch.Place(y)
			}
			watch.Kept(fresh, arrived)
			feed.Kept(fresh)
			if cfg.HivesInMetrics { // else it would be remembered for nobody
				hives.kept(fresh)
			}
		},
		Untimely: watch.Untimely,
	}, d.now, d.log, reg)
	outer = append(outer, intake.Run)
	healthy := []func() error{intake.Healthy}

	var mqttAt net.Addr
	if e := cfg.MQTT.Embedded; e != nil {
		secure, err := serverTLS(e.TLS, d.log)
		if err != nil {
			return fmt.Errorf("broker: %w", err)
		}
		own, err := broker.New(broker.Config{Listen: e.Listen, Prefix: cfg.MQTT.TopicPrefix, Mappings: mappings, WallClock: time.Now,
			Nodes: state, NodesOnly: e.NodesOnly, TLS: secure, NameFromCertificate: e.TLS.NameFromCertificate,
			WithoutTLS: e.WithoutTLS, WithoutCredentials: e.WithoutCredentials}, intake, d.now, d.log, reg)
		if err != nil {
			return fmt.Errorf("open broker on %s: %w", e.Listen, err)
		}
		mqttAt = own.Addr()
		*brokers = append(*brokers, own)
		inner = append(inner, own.Run)
	}
	var theirs *client.Client
	if cfg.MQTT.Broker != "" {
		to, err := clientConfig(cfg, mappings, places.Yards, d.log)
		if err != nil {
			return fmt.Errorf("broker %s: %w", cfg.MQTT.Broker.Place(), err)
		}
		theirs, err = client.New(to, intake, d.now, d.log, reg)
		if err != nil {
			return fmt.Errorf("broker %s: %w", cfg.MQTT.Broker.Place(), err)
		}
		*brokers = append(*brokers, theirs)
		healthy = append(healthy, theirs.Healthy)
		inner = append(inner, theirs.Run)
	}

	again := &reloader{asked: d.reload, load: d.load, boss: d.boss, log: d.log, now: d.now, state: state, db: db, places: places, watch: watch,
		outbox: outbox, morning: morning, mappings: mappings, intake: intake, theirs: theirs, inForce: cfg}
	again.register(reg)
	inner = append(inner, again.Run)

	ready := readiness(state, healthy)
	version, _ := built()
	sendTo, door := doorOf(cfg, mqttAt)
	answers := answers{watch: watch, intake: intake, state: state, links: links, now: d.now}
	ownToken := newOwnToken()
	pages := web.New(db, web.Options{
		Accounts: state, OwnToken: ownToken,
		Yards: places.all, Now: d.now, Log: d.log, Ready: ready,
		Gatherer: reg, Registerer: reg, Demo: d.demo, MQTTAddr: sendTo, MQTTDoor: door, TopicPrefix: cfg.MQTT.TopicPrefix,
		Loopback: web.IsLoopback(pagesAt.Addr()), WithoutSignIn: cfg.WithoutSignIn, JournalChanged: watch.Again, Feed: feed, Auto: cfg.AutoYards, ClockOff: intake.ClockOff, PerDegree: learnt.perDegree,
		Acknowledge: answers.acknowledge, Snooze: answers.snooze, Retry: answers.retry,
		OpenLink: answers.openLink, UseLink: answers.useLink, PagesAt: cfg.PagesAt, Forget: answers.forget, Version: version, ConfigWrong: again.complaint,
		Settings: func() []web.Setting { return settingsOf(again.config()) },
	})
	inner = append(inner, func(ctx context.Context) error { return web.Serve(ctx, pagesAt, pages, d.log) })

	forgetAddress, err := leaveAddress(cfg, pagesAt.Addr(), ownToken)
	if err != nil {
		return err
	}
	defer forgetAddress()
	d.log.Info("ready", "pages", pagesURL(cfg, pagesAt.Addr())+"/", "mqtt", addr(mqttAt), "broker", cfg.MQTT.Broker.Place())
	if d.boss != nil {
		well := "ready: pages at " + pagesURL(cfg, pagesAt.Addr()) + "/"
		alive := func() error { return errors.Join(intake.Alive(stuckIntake), watch.Alive(stuckWatcher)) }
		inner = append(inner, func(ctx context.Context) error { return d.boss.watch(ctx, well, alive, ready) })
		d.boss.ready(well)
	}
	if d.ready != nil {
		d.ready(pagesAt.Addr(), mqttAt)
	}
	return runAll(ctx, inner, outer)
}

// settingsOf are the settings in force, for the page that shows them.
func settingsOf(cfg configs.Config) []web.Setting {
	var out []web.Setting
	for _, set := range cfg.Settings() {
		out = append(out, web.Setting(set))
	}
	return out
}

// clientConfig is how we come to another's broker.
func clientConfig(cfg configs.Config, mappings *mapping.Set, yards func() []outyard.YardID, log *slog.Logger) (client.Config, error) {
	secure, err := clientTLS(cfg.MQTT.BrokerTLS, log)
	c := client.Config{TLS: secure, URL: cfg.MQTT.Broker.Reveal(), ClientID: cfg.MQTT.ClientID, Prefix: cfg.MQTT.TopicPrefix, Mappings: mappings}
	if cfg.MQTT.OwnYardsOnly {
		c.Yards = yards
	}
	return c, err
}

// channels are the ways to tell somebody, by the scheme of an address.
func channels(d daemon) map[string]alerts.Channel {
	all := map[string]alerts.Channel{
		"smtp": mail.Channel{}, "smtps": mail.Channel{}, "log": alerts.LogChannel{Log: d.log},
		"webhook": webhook.Channel{Now: d.now}, "alertmanager": webhook.Alertmanager{Now: d.now},
	}
	for _, service := range configs.Services() {
		all[service] = shout.Channel{}
	}
	if d.aloud != nil {
		all["aloud"] = d.aloud
	}
	return all
}

// linksOf makes what messages refer to the pages by: nothing, where these are
// not reached from outside.
func linksOf(cfg configs.Config, at net.Addr) (alerts.Writer, *alerts.Links, error) {
	base := pagesAddress(cfg, at)
	if base == "" {
		return alerts.Writer{}, nil, nil
	}
	key, err := linkKey(cfg.Data)
	if err != nil {
		return alerts.Writer{}, nil, err
	}
	return alerts.Writer{Link: func(yard outyard.YardID, hive outyard.HiveID) string {
		if hive == "" {
			return base + "/yards/" + string(yard) // ids need no escaping
		}
		return base + "/yards/" + string(yard) + "/hives/" + string(hive)
	}}, alerts.NewLinks(base, key), nil
}

// A runner is the life of a part: it ends when ctx does, and returns nil then.
type runner = func(ctx context.Context) error

// runAll runs all parts until ctx ends or one of them goes wrong: first the
// inner ones are ended, and when they have, the outer ones.
func runAll(ctx context.Context, inner, outer []runner) error {
	outerCtx, endOuter := context.WithCancel(context.WithoutCancel(ctx))
	defer endOuter()
	innerCtx, endInner := context.WithCancel(ctx)
	defer endInner()
	var all errgroup.Group
	for _, run := range outer {
		all.Go(func() error {
			defer endInner() // without them the inner ones can do nothing
			return run(outerCtx)
		})
	}
	all.Go(func() error {
		defer endOuter()
		parts, innerCtx := errgroup.WithContext(innerCtx)
		for _, run := range inner {
			parts.Go(func() error { return run(innerCtx) })
		}
		return parts.Wait()
	})
	return all.Wait()
}

func addr(a net.Addr) string {
	if a == nil {
		return ""
	}
	return a.String()
}

// readiness says what is not ready: a broker that is away, or a store that
// answers nothing or takes nothing.
func readiness(db *sqlite.Store, healthy []func() error) func(context.Context) error {
	return func(ctx context.Context) error {
		_, _, _, err := db.RefusedCounts(ctx)
		for _, h := range healthy {
			err = errors.Join(err, h())
		}
		return err
	}
}

// routesOf is whom to tell, as the alerts want it.
func routesOf(cfg configs.Config) []alerts.Route {
	var routes []alerts.Route
	for _, r := range cfg.Tell {
		route := alerts.Route{Name: r.Name, From: r.From, Kinds: r.Kinds, PerHour: r.PerHour,
			Round: r.Round, RoundAlways: r.RoundAlways, Units: r.Units}
		for _, to := range r.To {
			route.To = append(route.To, to.Reveal())
		}
		for _, y := range r.Yards {
			route.Yards = append(route.Yards, string(y))
		}
		if r.AllYards {
			route.Yards = []string{"*"}
		}
		if !r.Quiet.IsZero() {
			route.Quiet = r.Quiet
		}
		routes = append(routes, route)
	}
	return routes
}
