package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/spf13/cobra"

	"outyard"
	"outyard/collector/senml"
	"outyard/simulator"
)

const (
	// brokerPatience is how long a broker may take to answer.
	brokerPatience = 30 * time.Second
	// maxUnacked messages are under way at once.
	maxUnacked = 1000
)

// publishSeason sends the season's readings as nodes would, each when it
// arrives, at quality of service 1.
func publishSeason(cmd *cobra.Command, season simulator.Scenario, sim simulation, prefix string) (err error) {
	ctx, place := cmd.Context(), brokerPlace(sim.broker)
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(sim.broker).
		SetClientID(fmt.Sprintf("outyard-simulate-%d", os.Getpid())).
		SetConnectTimeout(brokerPatience).SetOrderMatters(false))
	if err := wait(ctx, client.Connect()); err != nil {
		return fmt.Errorf("broker %s: %w", place, err)
	}
	defer client.Disconnect(250) // ms, for what is still on its way out

	begun := time.Now()
	from, _ := season.Span()
	if sim.start == "" && sim.quicken == 1 {
		from = begun // what would have been sent earlier today is not
	}
	var unacked []mqtt.Token
	settle := func(atMost int) error {
		for ; len(unacked) > atMost; unacked = unacked[1:] {
			if err := wait(ctx, unacked[0]); err != nil {
				return fmt.Errorf("broker %s: %w", place, err)
			}
		}
		return nil
	}
	n := 0
	_, err = playSeason(cmd, season.Send, season, func(s simulator.Sent) error {
		if s.Arrival.Before(from) {
			return nil
		}
		pack := senml.Encode([]outyard.Reading{s.Reading})
		if pack == nil {
			return nil
		}
		due := begun.Add(time.Duration(float64(s.Arrival.Sub(from)) / sim.quicken))
		if err := until(ctx, due); err != nil {
			return err
		}
		unacked = append(unacked, client.Publish(topicOf(prefix, s.Reading), 1, false, pack))
		n++
		return settle(maxUnacked)
	})
	if err == nil {
		err = settle(0)
	}
	fmt.Fprintf(cmd.OutOrStdout(), "published %d messages to %s\n", n, place)
	if errors.Is(err, context.Canceled) {
		return nil // stopped by whoever watches: what was sent was meant
	}
	return err
}

func topicOf(prefix string, r outyard.Reading) string {
	if prefix != "" {
		prefix += "/"
	}
	if r.Hive == "" {
		return fmt.Sprintf("%syards/%s/weather", prefix, r.Yard)
	}
	return fmt.Sprintf("%syards/%s/hives/%s", prefix, r.Yard, r.Hive)
}

func until(ctx context.Context, due time.Time) error {
	d := time.Until(due)
	if d <= 0 {
		return ctx.Err()
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func wait(ctx context.Context, token mqtt.Token) error {
	timer := time.NewTimer(brokerPatience)
	defer timer.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-timer.C:
		return fmt.Errorf("no answer within %s: is it running, and reachable?", brokerPatience)
	case <-ctx.Done():
		return ctx.Err()
	}
}
