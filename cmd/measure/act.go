package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/pprof"
	"slices"
	"strconv"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"

	"outyard/collector"
	"outyard/collector/broker"
	"outyard/collector/client"
	"outyard/store/sqlite"
)

// actAs as the first argument makes a process one part of a measurement, so
// that its processor time and memory are its own.
const actAs = "act-as"

func act(ctx context.Context, args []string) error {
	roles := map[string]func(context.Context, []string) error{
		"load":            load,
		"counting-broker": countingBroker,
		"counting-client": countingClient,
		"keeping-broker":  keepingBroker,
		"keeping-client":  keepingClient,
		"watching-broker": watchingBroker,
	}
	if len(args) == 0 || roles[args[0]] == nil {
		return fmt.Errorf("%s: no such part %q", actAs, args)
	}
	return roles[args[0]](ctx, args[1:])
}

// profileDir in the environment asks each part for a profile there.
const profileDir = "OUTYARD_MEASURE_PROFILE"

// profiled runs a part and, where that is wanted, writes what its processor
// time went into. Of parts of one name the last one's profile stays.
func profiled(args []string, part func() error) (err error) {
	dir := os.Getenv(profileDir)
	if dir == "" || len(args) == 0 {
		return part()
	}
	f, err := os.Create(filepath.Join(dir, args[0]+".pprof"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if err := pprof.StartCPUProfile(f); err != nil {
		return err
	}
	defer pprof.StopCPUProfile()
	return part()
}

// complaints is the log of a part: what goes wrong, to standard error.
func complaints() *slog.Logger {
	return slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
}

// countingBroker is the least that an embedded broker can do: count, and
// acknowledge as the library does by itself.
func countingBroker(ctx context.Context, _ []string) error {
	server := mqtt.New(&mqtt.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(&counter{}, nil); err != nil {
		return err
	}
	tcp := listeners.NewTCP(listeners.Config{ID: "mqtt", Address: "127.0.0.1:0"})
	if err := server.AddListener(tcp); err != nil {
		return err
	}
	if err := server.Serve(); err != nil {
		return err
	}
	fmt.Println("ready", tcp.Address())
	<-ctx.Done()
	return server.Close()
}

type counter struct {
	mqtt.HookBase
	n atomic.Int64
}

func (c *counter) ID() string { return "counter" }

func (c *counter) Provides(what byte) bool {
	return slices.Contains([]byte{mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPublish}, what)
}

func (c *counter) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }
func (c *counter) OnACLCheck(*mqtt.Client, string, bool) bool              { return true }

func (c *counter) OnPublish(_ *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	c.n.Add(1)
	return pk, nil
}

// countingClient is the least that a subscriber can do: count so many
// messages, and let the library acknowledge them.
func countingClient(ctx context.Context, args []string) error {
	url, messages, err := clientArgs(args, 2)
	if err != nil {
		return err
	}
	var n atomic.Int64
	done := make(chan struct{})
	opts := paho.NewClientOptions().AddBroker(url).SetClientID("counting").SetProtocolVersion(4).SetOrderMatters(true)
	c := paho.NewClient(opts)
	for _, token := range []func() paho.Token{c.Connect, func() paho.Token {
		return c.Subscribe(collector.ReadingsFilter(""), 1, func(paho.Client, paho.Message) {
			if n.Add(1) == messages {
				close(done)
			}
		})
	}} {
		if t := token(); !t.WaitTimeout(answerWithin) || t.Error() != nil {
			return errors.Join(fmt.Errorf("no answer from %s", url), t.Error())
		}
	}
	fmt.Println("ready")
	return sayDone(ctx, done, func() { c.Disconnect(250) }) // ms, for the last acks
}

// sayDone says when all is done, and stays to be looked at until ctx ends.
func sayDone(ctx context.Context, done <-chan struct{}, leave func()) error {
	defer leave()
	select {
	case <-done:
		fmt.Println("done", time.Now().UnixNano())
		<-ctx.Done()
	case <-ctx.Done():
	}
	return nil
}

func clientArgs(args []string, n int) (url string, messages int64, err error) {
	if len(args) != n {
		return "", 0, errors.New("want the broker's URL, the number of messages, and perhaps a folder")
	}
	messages, err = strconv.ParseInt(args[1], 10, 64)
	return args[0], messages, err
}

// keepingBroker is the collector's own broker with its intake and store, and
// nothing else.
func keepingBroker(ctx context.Context, args []string) error {
	if len(args) != 1 {
		return errors.New("want the folder of the store")
	}
	return keep(ctx, args[0], func(in *collector.Intake, reg prometheus.Registerer) (func(context.Context) error, error) {
		b, err := broker.New(broker.Config{Listen: "127.0.0.1:0"}, in, time.Now, complaints(), reg)
		if err != nil {
			return nil, err
		}
		fmt.Println("ready", b.Addr())
		return b.Run, nil
	})
}

// keepingClient is the collector as a client of another broker. It says when
// so many messages are kept and acknowledged.
func keepingClient(ctx context.Context, args []string) error {
	url, messages, err := clientArgs(args, 3)
	if err != nil {
		return err
	}
	return keep(ctx, args[2], func(in *collector.Intake, reg prometheus.Registerer) (func(context.Context) error, error) {
		acked := &ackCounter{intake: in, left: messages, done: make(chan struct{})}
		c, err := client.New(client.Config{URL: url}, acked, time.Now, complaints(), reg)
		if err != nil {
			return nil, err
		}
		return func(ctx context.Context) error {
			g, ctx := errgroup.WithContext(ctx)
			g.Go(func() error { return c.Run(ctx) })
			g.Go(func() error {
				for wait := time.NewTicker(10 * time.Millisecond); c.Healthy() != nil; <-wait.C {
					if ctx.Err() != nil {
						return nil
					}
				}
				fmt.Println("ready")
				return sayDone(ctx, acked.done, func() {})
			})
			return g.Wait()
		}, nil
	})
}

// An ackCounter closes done with the last ack.
type ackCounter struct {
	intake *collector.Intake
	left   int64
	done   chan struct{}
}

func (a *ackCounter) Take(m collector.Message) bool {
	ack := m.Ack
	m.Ack = func() {
		ack()
		if atomic.AddInt64(&a.left, -1) == 0 {
			close(a.done)
		}
	}
	return a.intake.Take(m)
}

// keep runs an intake onto a store, and a front onto that, which stops first.
func keep(ctx context.Context, dir string, front func(*collector.Intake, prometheus.Registerer) (func(context.Context) error, error)) error {
	db, err := sqlite.Open(ctx, dir)
	if err != nil {
		return err
	}
	defer db.Close()
	reg := prometheus.NewRegistry()
	in := collector.New(db, collector.NewPlacement(nil, true), collector.Options{}, time.Now, complaints(), reg)
	run, err := front(in, reg)
	if err != nil {
		return err
	}
	committing, committed := context.WithCancel(context.WithoutCancel(ctx))
	defer committed()
	life, ctx := errgroup.WithContext(ctx)
	life.Go(func() error { return in.Run(committing) })
	life.Go(func() error {
		defer committed()
		return run(ctx)
	})
	return life.Wait()
}
