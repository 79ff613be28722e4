package main

import (
	"context"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"outyard/alerts/mail"
	"outyard/collector"
	"outyard/collector/client"
	"outyard/collector/mapping"
	"outyard/configs"
	"outyard/store"
	"outyard/store/influx"
	"outyard/store/sqlite"
)

// tryWithin is how long each connection may take.
const tryWithin = 20 * time.Second

// A trial is one thing that the config names, tried out.
type trial struct {
	what, where string
	try         func(context.Context) (saw string, err error) // nil: it cannot be without telling somebody
}

// checkConnections tries what the config names, and says what it saw of each.
func checkConnections(cmd *cobra.Command, cfg configs.Config, format *oneOf) error {
	var rows [][]string
	failed := 0
	for _, t := range trialsOf(cfg) {
		row := []string{t.what, t.where, "ok", ""}
		if t.try == nil {
			row[2], row[3] = "not tried", "a service of shoutrrr is only reached by a message"
		} else {
			ctx, cancel := context.WithTimeout(cmd.Context(), tryWithin)
			saw, err := t.try(ctx)
			cancel()
			row[3] = saw
			if err != nil {
				failed++
				row[2], row[3] = "failed", err.Error()
			}
		}
		rows = append(rows, row)
	}
	if err := show(cmd.OutOrStdout(), format, []string{"what", "where", "result", "saw"}, rows); err != nil {
		return err
	}
	if failed > 0 {
		return fmt.Errorf("%d of %d did not work", failed, len(rows))
	}
	return nil
}

func trialsOf(cfg configs.Config) []trial {
	all := []trial{{"data", cfg.Data, func(ctx context.Context) (string, error) { return tryData(ctx, cfg.Data) }}}
	if cfg.TLS.On() {
		all = append(all, trial{"pages", cfg.Listen, func(context.Context) (string, error) { return tryCertificate(cfg.TLS.Cert, shownAs(cfg)) }})
	}
	if e := cfg.MQTT.Embedded; e != nil && e.TLS.On() {
		all = append(all, trial{"own broker", e.Listen, func(context.Context) (string, error) { return tryCertificate(e.TLS.Cert, "") }})
	}
	if at := cfg.Store.Influx; cfg.Store.Kind == configs.InfluxStore {
		all = append(all, trial{"store", at.URL, func(ctx context.Context) (string, error) {
			return influx.Try(ctx, influx.Config{URL: at.URL, Org: at.Org, Bucket: at.Bucket, Token: at.Token.Reveal()})
		}})
	}
	if cfg.MQTT.Broker != "" {
		all = append(all, trial{"broker", cfg.MQTT.Broker.Place(), func(ctx context.Context) (string, error) {
			mappings, err := mapping.NewSet(cfg.Mappings)
			if err != nil {
				return "", err
			}
			to, err := clientConfig(cfg, mappings, collector.NewPlacement(cfg.Yards, false).Yards, slog.New(slog.DiscardHandler))
			if err != nil {
				return "", err
			}
			return client.Try(ctx, to)
		}})
	}
	tried := map[string]bool{}
	for _, route := range cfg.Tell {
		for _, to := range route.To {
			if tried[to.Reveal()] {
				continue
			}
			tried[to.Reveal()] = true
			all = append(all, trial{"tell " + route.Name, to.Place(), tryTarget(to.Reveal())})
		}
	}
	return all
}

// shownAs is the name under which browsers know our own certificate: that of
// pages_at, unless a proxy with a certificate of its own stands in front. Empty:
// it is not known.
func shownAs(cfg configs.Config) string {
	host, _, _ := net.SplitHostPort(cfg.Listen) // it has been checked
	if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() || cfg.WithoutTLS || cfg.WithoutSignIn {
		return ""
	}
	u, err := url.Parse(cfg.PagesAt)
	if err != nil || u.Scheme != "https" {
		return ""
	}
	return u.Hostname()
}

// tryCertificate says for whom our own certificate in a file is, and until when,
// and whether it is for the name by which others will look for us.
func tryCertificate(file, name string) (string, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return "", err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return "", fmt.Errorf("%s holds no certificate", file)
	}
	cert, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return "", fmt.Errorf("%s: %w", file, err)
	}
	names := slices.Clone(cert.DNSNames)
	for _, ip := range cert.IPAddresses {
		names = append(names, ip.String())
	}
	of := strings.Join(names, ", ")
	switch {
	case len(names) == 0:
		return "", fmt.Errorf("the certificate in %s names no host (subjectAltName): nobody will believe it", file)
	case name != "" && cert.VerifyHostname(name) != nil:
		return "", fmt.Errorf("the certificate in %s is for %s, and pages_at says %s: browsers will warn of it", file, of, name)
	}
	return fmt.Sprintf("certificate for %s, until %s", of, cert.NotAfter.UTC().Format(time.DateOnly)), nil
}

// tryTarget says how an address of tell is tried: nothing is told by it.
func tryTarget(address string) func(context.Context) (string, error) {
	scheme, _, _ := strings.Cut(address, ":")
	switch name, _, _ := strings.Cut(scheme, "+"); name {
	case "log":
		return func(context.Context) (string, error) { return "the log is there", nil }
	case "smtp", "smtps":
		return func(ctx context.Context) (string, error) { return mail.Channel{}.Try(ctx, address) }
	case "webhook", "alertmanager":
		return func(ctx context.Context) (string, error) { return tryHost(ctx, address) }
	}
	return nil
}

// tryHost connects to the host of a web address, and asks for nothing.
func tryHost(ctx context.Context, address string) (string, error) {
	u, err := url.Parse(address)
	if err != nil {
		return "", errors.New("the address is none") // err would show it
	}
	port := u.Port()
	if port == "" {
		port = map[bool]string{true: "443", false: "80"}[strings.HasSuffix(u.Scheme, "https")]
	}
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", net.JoinHostPort(u.Hostname(), port))
	if err != nil {
		return "", err
	}
	defer conn.Close()
	return "reached at " + conn.RemoteAddr().String() + "; nothing was sent", nil
}

// tryData looks whether the data folder, or the nearest one above it that is
// there, can be written to, and what is in it.
func tryData(ctx context.Context, dir string) (string, error) {
	saw := "not there yet: it is made at the first start"
	db, err := sqlite.OpenForReading(ctx, dir)
	switch {
	case err == nil:
		saw = fmt.Sprintf("store of schema %d", sqlite.Schema())
		if err := db.Close(); err != nil {
			return "", err
		}
	case errors.Is(err, store.ErrOlder):
		saw = "store of an older schema, brought up to date at the next start"
	case !errors.Is(err, store.ErrNotFound):
		return "", err
	}
	at, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	for _, err = os.Stat(at); errors.Is(err, fs.ErrNotExist) && filepath.Dir(at) != at; _, err = os.Stat(at) {
		at = filepath.Dir(at)
	}
	f, err := os.CreateTemp(at, ".outyard-check-*")
	if err != nil {
		return "", fmt.Errorf("nothing can be written there: %w: let the user that runs outyard write to it", err)
	}
	if err := errors.Join(f.Close(), os.Remove(f.Name())); err != nil {
		return "", err
	}
	saw += "; can be written to"
	if free, ok := freeBytes(at); ok {
		if free < leastFreeBytes {
			return "", fmt.Errorf("%d MB are free, of which the store needs %d to go on: make room", free>>20, leastFreeBytes>>20)
		}
		saw += fmt.Sprintf("; %d MB free", free>>20)
	}
	return saw, nil
}

// leastFreeBytes is what a year of fifty hives takes, and its log.
const leastFreeBytes = 100 << 20
