package configs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// keys is the shape of the file: which keys each section has. A section that
// is one of a list stands under the list's name.
var keys = map[string][]string{
	"":                  {"listen", "listen_without", "tls", "pages_at", "data", "mqtt", "store", "yards", "mappings", "tell", "take_over", "log", "metrics", "debug"},
	"tls":               {"cert", "key"},
	"mqtt":              {"embedded", "broker", "broker_tls", "topic_prefix", "client_id", "own_yards_only"},
	"mqtt.embedded":     {"listen", "listen_without", "nodes_only", "tls"},
	"mqtt.embedded.tls": {"cert", "key", "client_ca", "name_from_certificate"},
	"mqtt.broker_tls":   {"ca", "cert", "key", "server_name"},
	"log":               {"format", "level"},
	"metrics":           {"per_hive"},
	"store":             {"kind", "drop_readings_after_days", "influx"},
	"store.influx":      {"url", "org", "bucket", "token"},
	"yards":             {"id", "name", "latitude", "longitude", "timezone", "trip_minutes", "hives"},
	"yards.hives":       {"id", "name", "equipment", "scale", "battery_empty_v", "wall_mm"},
	"yards.hives.scale": {"zero_raw", "per_kg_raw", "per_degree_kg"},
	"mappings":          {"name", "topic", "base64", "yard", "hive", "time", "quantities"},
	"mappings.yard":     origin,
	"mappings.hive":     origin,
	"mappings.time":     {"field", "inner", "bytes", "format", "optional"},
	// Each of the quantities has the keys of anyQuantity.
	"mappings.quantities": quantityNames(),
	anyQuantity:           {"field", "inner", "bytes", "unit", "scale", "offset", "absent", "optional"},
	byteRange:             {"at", "width", "signed", "order"},
	"tell":                {"name", "to", "yards", "kinds", "from", "quiet", "per_hour", "round", "round_always", "units"},
	"take_over":           {"data", "client_id"},
}

// An item is a value in YAML, and where it stands. Decoding into structs would
// lose the lines, and stop at the first value of a wrong type.
type item struct {
	node *yaml.Node // nil when it was not given
	name string     // what messages call it: yards[0].latitude
	from string     // the file, or the environment variable, that it stands in
	line int        // in the file; 0 in a variable
}

func (it item) given() bool { return it.node != nil }

// place is "outyard.yaml:3", or the variable.
func (it item) place() string {
	if it.line == 0 {
		return it.from
	}
	return fmt.Sprintf("%s:%d", it.from, it.line)
}

// under is a value within it, or what would be said of one that is missing.
func (it item) under(node *yaml.Node, name string) item {
	in := item{node: node, name: it.name + name, from: it.from, line: it.line}
	if it.name == "" {
		in.name = strings.TrimPrefix(name, ".")
	}
	if node == nil {
		return in
	}
	if it.line > 0 {
		in.line = node.Line
	}
	if node.Kind == yaml.ScalarNode && node.Tag == "!!null" {
		in.node = nil // "key:" with nothing behind it is a key left out
	}
	return in
}

// A section is a mapping whose keys have been checked.
type section struct {
	item
	values map[string]*yaml.Node
	meant  []string // keys that mistyped ones were probably meant for
}

func (s section) get(key string) item { return s.under(s.values[key], "."+key) }

// A nodeReader takes values out of YAML and collects what is wrong with them.
type nodeReader struct {
	wrong Mistakes
}

func (r *nodeReader) say(at item, format string, args ...any) {
	r.wrong.add(at.from, at.line, format, args...)
}

var yamlLine = regexp.MustCompile(`^yaml: (?:line (\d+): )?`)

// maxSearchedLines bounds the search for a broken line, which parses the text
// over and over.
const maxSearchedLines = 500

// brokenLine finds the line that makes text no YAML: the one after the longest
// beginning that is. The parser itself names the line on which the surrounding
// list or group begins, or the one before it.
func brokenLine(text []byte, err error) int {
	lines := bytes.SplitAfter(text, []byte("\n"))
	if len(lines) <= maxSearchedLines {
		for n := len(lines) - 1; n > 0; n-- {
			var doc yaml.Node
			if yaml.Unmarshal(bytes.Join(lines[:n], nil), &doc) == nil {
				return n + 1
			}
		}
		return 1
	}
	n, _ := strconv.Atoi(yamlLine.FindStringSubmatch(err.Error())[1])
	return max(1, n)
}

// document parses text that stands in the file, or in a variable when inFile
// is false. An empty document is an item that was not given.
func (r *nodeReader) document(text []byte, from string, inFile bool) item {
	top := item{from: from}
	if inFile {
		top.line = 1
	}
	var doc, more yaml.Node
	dec := yaml.NewDecoder(bytes.NewReader(text))
	err := dec.Decode(&doc)
	if errors.Is(err, io.EOF) {
		return top
	}
	if err == nil {
		if err = dec.Decode(&more); err == nil {
			top.line = max(top.line, more.Line)
			r.say(top, "a second document begins here: keep one, without a line of ---")
			return item{from: from}
		}
		if errors.Is(err, io.EOF) {
			err = nil
		}
	}
	if err != nil {
		what := yamlLine.ReplaceAllString(err.Error(), "")
		if inFile {
			top.line = brokenLine(text, err)
		}
		r.say(top, "not YAML: %s: look there for a missing colon or quote, and indent with spaces, not tabs", what)
		return item{from: from}
	}
	if len(doc.Content) == 0 {
		return top
	}
	return top.under(doc.Content[0], "")
}

// section checks that it is a mapping with no keys but those of the shape.
func (r *nodeReader) section(it item, shape string) section {
	s := section{item: it, values: map[string]*yaml.Node{}}
	if !it.given() || !r.plain(it) {
		return s
	}
	if it.node.Kind != yaml.MappingNode {
		r.say(it, "%s is %s: want %s below it", orFile(it.name), kindOf(it.node), oneOf(keys[shape]))
		return s
	}
	lines := map[string]int{}
	for i := 0; i+1 < len(it.node.Content); i += 2 {
		key, value := it.node.Content[i], it.node.Content[i+1]
		at := it.under(key, "")
		at.node = key
		switch before, twice := lines[key.Value]; {
		case key.Kind != yaml.ScalarNode:
			r.say(at, "%s has %s for a key: want %s", orFile(it.name), kindOf(key), oneOf(keys[shape]))
		case !slices.Contains(keys[shape], key.Value):
			near := nearest(key.Value, keys[shape])
			s.meant = append(s.meant, near)
			r.say(at, "%q is not a key of %s: %s", key.Value, orFile(it.name), whichKey(key.Value, near, shape))
		case twice:
			r.say(at, "%s is given already on line %d: keep one of the two", it.under(nil, "."+key.Value).name, before)
		default:
			lines[key.Value] = key.Line
			s.values[key.Value] = value
		}
	}
	return s
}

// whichKey says which key was probably meant: the near one of this section, or
// one that belongs elsewhere.
func whichKey(key, near, shape string) string {
	if near != "" {
		return "did you mean " + near + "?"
	}
	if slices.Contains(keys[""], key) {
		return "it belongs at the left margin"
	}
	var places []string
	for where, names := range keys {
		if slices.Contains(names, key) {
			places = append(places, where)
		}
	}
	if len(places) > 0 {
		slices.Sort(places)
		return "it belongs below " + oneOf(places)
	}
	return "want " + oneOf(keys[shape])
}

func (r *nodeReader) list(it item) []item {
	if !it.given() || !r.plain(it) {
		return nil
	}
	if it.node.Kind != yaml.SequenceNode {
		r.say(it, `%s is %s: want a list, each line beginning with "- "`, it.name, kindOf(it.node))
		return nil
	}
	items := make([]item, 0, len(it.node.Content))
	for i, n := range it.node.Content {
		in := it.under(n, fmt.Sprintf("[%d]", i))
		if !in.given() {
			r.say(in, `%s is empty: fill it in or take its "-" away`, in.name)
			continue
		}
		items = append(items, in)
	}
	return items
}

// text takes a value as it is written: an id of 01 stays 01. It is false for
// what was not given, or is wrong and has been said to be.
func (r *nodeReader) text(it item) (string, bool) {
	if !it.given() || !r.plain(it) {
		return "", false
	}
	if it.node.Kind != yaml.ScalarNode {
		r.say(it, "%s is %s: want text", it.name, kindOf(it.node))
		return "", false
	}
	return it.node.Value, true
}

// boolean takes true or false; false where it was not given.
func (r *nodeReader) boolean(it item) bool {
	text, ok := r.text(it)
	if !ok {
		return false
	}
	var yes bool
	if it.node.ShortTag() != "!!bool" || it.node.Decode(&yes) != nil {
		r.say(it, "%s is %q: want true or false", it.name, text)
	}
	return yes
}

// whole takes a whole number within bounds.
func (r *nodeReader) whole(it item, least, most int, what string) (int, bool) {
	x, ok := r.number(it)
	if !ok {
		return 0, false
	}
	if x != math.Trunc(x) || x < float64(least) || x > float64(most) {
		r.say(it, "%s is %g: want %s", it.name, x, what)
		return 0, false
	}
	return int(x), true
}

func (r *nodeReader) number(it item) (float64, bool) {
	if !it.given() || !r.plain(it) {
		return 0, false
	}
	if it.node.Kind != yaml.ScalarNode {
		r.say(it, "%s is %s: want a number", it.name, kindOf(it.node))
		return 0, false
	}
	var x float64
	tag := it.node.ShortTag()
	if (tag != "!!int" && tag != "!!float") || it.node.Decode(&x) != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		r.say(it, "%s is %q: want a number, with a point and without quotes or unit", it.name, it.node.Value)
		return 0, false
	}
	return x, true
}

// plain refuses anchors and aliases: a line should say what it means, and a
// few of them can blow a short file up to gigabytes.
func (r *nodeReader) plain(it item) bool {
	if it.node.Kind == yaml.AliasNode || it.node.Anchor != "" {
		r.say(it, "%s uses a YAML anchor or alias: write the value out", orFile(it.name))
		return false
	}
	return true
}

func kindOf(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a group of keys"
	case yaml.SequenceNode:
		return "a list"
	case yaml.AliasNode:
		return "an alias"
	}
	switch n.ShortTag() {
	case "!!int", "!!float":
		return "a number"
	case "!!bool":
		return "true or false"
	}
	return "text"
}

func orFile(name string) string {
	if name == "" {
		return "the config"
	}
	return name
}
