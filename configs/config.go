// Package configs knows the config file: its shape, its defaults, and what can
// be wrong with it. It exists so that a mistake is found once, at the door,
// with its line and its cure, and no other package ever looks at a file, a
// flag or the environment: each is handed its own few values.
//
// The examples beside it (minimal.yaml, typical.yaml, full.yaml) are what its
// tests load; README.md lists every key.
package configs

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/spf13/pflag"

	"outyard"
)

// A Config is what is in force: decoded, defaulted and checked.
type Config struct {
	File   string    // where it was read; empty when there is no file
	Listen string    // address of pages, API and metrics
	TLS    ServerTLS // of the pages
	// WithoutTLS and WithoutSignIn: the keeper knows what it means to listen
	// so where others can reach it.
	WithoutTLS, WithoutSignIn bool
	PagesAt                   string // where the pages are reached from elsewhere, without a slash at its end; empty: nowhere
	Data                      string // folder of the embedded store and of all state
	MQTT                      MQTT
	Store                     Store
	Yards                     []outyard.Yard
	AutoYards                 bool // yards: auto: a yard or hive that is not known is placed when it first sends
	Mappings                  []outyard.Mapping
	Tell                      []Route
	TakeOver                  []Predecessor
	Log                       Log
	HivesInMetrics            bool   // metrics of each hive, beside those of the daemon
	Debug                     string // address of the profiler; empty: there is none

	settings     []Setting
	values       map[string]string // of the keys with one value each; they hold secrets
	certificates []certificate
}

// MQTT is how readings come in: by a broker of our own, by another's, or both.
type MQTT struct {
	Embedded    *Embedded // nil: no broker of our own
	Broker      Secret    // address of another's broker, with its port; empty: none
	BrokerTLS   ClientTLS // for a broker of tls:// or wss://
	TopicPrefix string    // stands before yards/…, without a slash at either end; often empty
	ClientID    string    // our name at another's broker
	// OwnYardsOnly asks another's broker for the readings of Yards, and not of
	// all there are.
	OwnYardsOnly bool
}

// Embedded is the broker within the daemon.
type Embedded struct {
	Listen    string
	TLS       ServerTLS
	NodesOnly bool // who gives no name is not let in, even from this machine
	// WithoutTLS and WithoutCredentials: as for the pages.
	WithoutTLS, WithoutCredentials bool
}

// A Predecessor is a daemon that is no more, whose yards are taken over.
type Predecessor struct {
	Data     string // its data folder, or a backup of it
	ClientID string // its name at the broker; empty: nothing waits there
}

// Log is what the daemon says of what it does.
type Log struct {
	JSON  bool // a JSON object a line; else text
	Level slog.Level
}

// Store is where readings are kept.
type Store struct {
	Kind   StoreKind
	Influx Influx // used where Kind is InfluxStore
	// DropReadingsAfterDays is how old a reading may become; 0: as old as it
	// likes.
	DropReadingsAfterDays int
}

// A StoreKind says which store.
type StoreKind string

// The kinds of store.
const (
	SQLiteStore StoreKind = "sqlite"
	InfluxStore StoreKind = "influx"
)

// Influx is where a time-series server is found.
type Influx struct {
	URL, Org, Bucket string
	Token            Secret
}

// A Route says who is told what, and how.
type Route struct {
	Name     string
	To       []Secret         // one address a place to tell
	AllYards bool             // "*" was among the yards
	Yards    []outyard.YardID // where not all
	Kinds    []outyard.Kind   // nil: every kind
	From     outyard.Severity // told from this severity upward
	Quiet    Quiet
	PerHour  int // messages an hour to each address, what cannot wait twice as many
	// Round is when the day's round is told, counted from midnight by the
	// clock; nil: never. RoundAlways tells it even when there is none.
	Round       *time.Duration
	RoundAlways bool
	Units       outyard.Units
}

// defaultPerHour is a message each ten minutes: more are not read one by one.
const defaultPerHour = 6

// Tells says whether the route is for that yard.
func (r Route) Tells(yard outyard.YardID) bool {
	return r.AllYards || slices.Contains(r.Yards, yard)
}

// A Setting is one key in force, and where its value was given.
type Setting struct {
	Key   string
	Value string // secrets are not shown
	From  string // "outyard.yaml:3", "OUTYARD_LISTEN", "--listen" or "default"
}

// Settings lists what is in force, in the order of the file's shape.
func (c Config) Settings() []Setting { return slices.Clone(c.settings) }

// Next is what next puts in force in a daemon that runs with c: yards, mappings
// and who is told. The rest is as it was; fixed are the keys of which next says
// otherwise, and which take a restart.
func (c Config) Next(next Config) (inForce Config, fixed []string) {
	lasting := slices.Concat(settings, listenWithout)
	for _, key := range lasting {
		if c.values[key] != next.values[key] {
			fixed = append(fixed, key)
		}
	}
	inForce = c
	one := func(s Setting) bool { return slices.Contains(lasting, s.Key) }
	inForce.settings = slices.DeleteFunc(slices.Clone(c.settings), func(s Setting) bool { return !one(s) })
	inForce.settings = append(inForce.settings, slices.DeleteFunc(slices.Clone(next.settings), one)...)
	inForce.Yards, inForce.AutoYards, inForce.Mappings = next.Yards, next.AutoYards, next.Mappings
	inForce.Tell, inForce.TakeOver = next.Tell, next.TakeOver
	return inForce, fixed
}

// The names under which a config is looked for, in this order, when none is
// given.
const (
	DefaultFile = "outyard.yaml"
	SystemFile  = "/etc/outyard/outyard.yaml"
)

// ErrNoFile says that no config was named and none is in the usual places.
var ErrNoFile = errors.New("no config: neither " + DefaultFile + " here nor " + SystemFile +
	" is there; write one (configs/minimal.yaml is a start) or name one with --config")

// Find returns the path of the config to read: the one that was named, or else
// the first of [DefaultFile] and [SystemFile] that is there. With neither it
// returns [ErrNoFile]; the defaults can be had by loading the path "".
func Find(named string) (string, error) {
	if named != "" {
		if _, err := os.Stat(named); err != nil {
			return "", fmt.Errorf("config %s: %w", named, cause(err))
		}
		return named, nil
	}
	for _, path := range []string{DefaultFile, SystemFile} {
		_, err := os.Stat(path)
		if err == nil {
			return path, nil
		}
		// A file that is there but out of reach must not be passed over in
		// silence for another.
		if !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("config %s: %w", path, cause(err))
		}
	}
	return "", ErrNoFile
}

// MaxFileBytes bounds a config: thousands of hives stay far below it.
const MaxFileBytes = 16 << 20

// Load reads the config in path, lets the environment (as os.Environ gives it)
// override the file, and the flags that were set, each named after its key,
// override both. With an empty path there is no file, and what is not in the
// environment is the default. Everything that is wrong comes back at once, as
// [*Mistakes].
func Load(path string, environ []string, flags ...*pflag.Flag) (Config, error) {
	var text []byte
	if path != "" {
		info, err := os.Stat(path)
		if err != nil {
			return Config{}, fmt.Errorf("config %s: %w", path, cause(err))
		}
		if info.IsDir() {
			return Config{}, fmt.Errorf("config %s is a folder: name the file, such as %s", path, filepath.Join(path, DefaultFile))
		}
		if info.Size() > MaxFileBytes {
			return Config{}, fmt.Errorf("config %s has %d bytes, more than the %d allowed: is it the right file?", path, info.Size(), MaxFileBytes)
		}
		if text, err = os.ReadFile(path); err != nil {
			return Config{}, fmt.Errorf("config %s: %w", path, cause(err))
		}
	}
	return read(path, text, environ, flags)
}

// cause leaves out the operation and path that [fs.PathError] repeats.
func cause(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}
