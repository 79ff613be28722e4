package configs

import (
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"outyard"
)

// Shapes that stand in several places.
const (
	anyQuantity = "mappings.quantities.*"
	byteRange   = "mappings.quantities.*.bytes"
)

// origin is what an id may come from.
var origin = []string{"level", "field", "inner", "fixed", "as"}

// quantityNames are the keys of mappings.quantities.
func quantityNames() []string {
	var names []string
	for q := range outyard.NumQuantities {
		names = append(names, q.Info().Name)
	}
	return append(names, outyard.RawWeight)
}

const (
	maxLevel  = 64 // of a topic
	maxAtByte = 1 << 16
)

// mappings reads the list.
func (r *reader) mappings(prefix string) []outyard.Mapping {
	var all []outyard.Mapping
	seen := map[string]item{}
	for _, in := range r.list(r.at["mappings"]) {
		m := r.mapping(r.section(in, "mappings"), prefix)
		if before, twice := seen[m.Name]; twice && m.Name != "" {
			r.say(in, "%s: the name %q is already on line %d: give each one of its own", in.name, m.Name, before.node.Line)
		}
		seen[m.Name] = in
		all = append(all, m)
	}
	return all
}

func (r *reader) mapping(s section, prefix string) outyard.Mapping {
	if !s.get("name").given() {
		r.missing(s, "name", "flat-json")
	}
	m := outyard.Mapping{Name: r.label(s.get("name"), ""), Filter: r.filter(s, prefix)}
	m.Base64, _ = r.path(s.get("base64"))

	if !s.get("yard").given() {
		r.missing(s, "yard", "{level: 2}")
	}
	m.Yard = r.origin(s, "yard", m, func(id string) error { return outyard.YardID(id).Check() })
	m.Hive = r.origin(s, "hive", m, func(id string) error { return outyard.HiveID(id).Check() })
	m.Time = r.mappedTime(s, m)

	in := s.get("quantities")
	if !in.given() {
		r.missing(s, "quantities", "{weight: {field: w, unit: kg}}")
		return m
	}
	quantities := r.section(in, "mappings.quantities")
	if in.node.Kind == yaml.MappingNode && len(in.node.Content) == 0 {
		r.say(in, "%s is empty: want %s below it", in.name, oneOf(quantityNames()))
	}
	for _, name := range quantityNames() {
		it := quantities.get(name)
		if _, there := quantities.values[name]; there && !it.given() {
			r.say(it, "%s is empty: say where it stands, such as {field: w, unit: kg}", it.name)
		}
		if !it.given() {
			continue
		}
		v := r.mappedValue(r.section(it, anyQuantity), name, m)
		if v.Quantity == outyard.Weight && !s.get("hive").given() {
			r.say(it, "%s: a weight belongs to a hive, and the mapping has no hive: add one, such as hive: {level: 3}", it.name)
		}
		m.Values = append(m.Values, v)
	}
	if weight, raw := quantities.get("weight"), quantities.get(outyard.RawWeight); weight.given() && raw.given() {
		r.say(raw, "%s: weight is there too: keep the one that the device knows better", raw.name)
	}
	r.base64Used(s, m)
	return m
}

// base64Used complains of an envelope that nothing is read from.
func (r *reader) base64Used(s section, m outyard.Mapping) {
	it := s.get("base64")
	if !it.given() {
		return
	}
	inner := m.Yard.Inner != "" || m.Hive.Inner != "" || m.Time.Inner != ""
	octets := m.Time.Bytes != nil
	for _, v := range m.Values {
		inner = inner || v.Inner != ""
		octets = octets || v.Bytes != nil
	}
	switch {
	case inner && octets:
		r.say(it, "%s: both inner and bytes are used, but what it holds is either JSON or bytes", it.name)
	case !inner && !octets && len(m.Values) > 0:
		r.say(it, "%s is given, but nothing is read from it: name paths within it by inner, or bytes", it.name)
	}
}

// filter is the topic filter.
func (r *reader) filter(s section, prefix string) string {
	it := s.get("topic")
	if !it.given() {
		r.missing(s, "topic", "scales/+/+")
		return ""
	}
	filter, ok := r.text(it)
	if !ok {
		return ""
	}
	readings := strings.TrimPrefix(prefix+"/yards/", "/")
	switch err := outyard.CheckTopicFilter(filter); {
	case err != nil:
		r.say(it, "%s is %q: %v", it.name, filter, err)
	case strings.HasPrefix(filter, readings):
		r.say(it, "%s is %q: what comes below %s is read as SenML: take another topic", it.name, filter, readings)
	case strings.HasPrefix(filter, "outyard/") || strings.HasPrefix(filter, "$"):
		r.say(it, "%s is %q: topics there are ours or the broker's own, and devices write to others", it.name, filter)
	}
	return filter
}

// path is a path in JSON.
func (r *reader) path(it item) (string, bool) {
	if !it.given() {
		return "", false
	}
	path, ok := r.text(it)
	if ok && path == "" {
		r.say(it, "%s is empty: name a field, such as w or data.w", it.name)
		return "", false
	}
	return path, ok
}

// origin reads where an id comes from.
func (r *reader) origin(of section, key string, m outyard.Mapping, check func(string) error) outyard.Origin {
	it := of.get(key)
	if !it.given() {
		return outyard.Origin{}
	}
	s := r.section(it, "mappings."+key)
	var o outyard.Origin
	if level := s.get("level"); level.given() {
		n, ok := r.whole(level, 1, maxLevel, fmt.Sprintf("the level of the topic, from 1 to %d", maxLevel))
		if levels := strings.Split(m.Filter, "/"); ok && m.Filter != "" && n > len(levels) && levels[len(levels)-1] != "#" {
			r.say(level, "%s is %d, but topics of %s have %s", level.name, n, m.Filter, count(len(levels), "level"))
		}
		o.Level = n
	}
	o.Field, _ = r.path(s.get("field"))
	o.Inner, _ = r.path(s.get("inner"))
	if fixed := s.get("fixed"); fixed.given() {
		var ok bool
		if o.Fixed, ok = r.text(fixed); ok {
			if err := check(o.Fixed); err != nil {
				r.say(fixed, "%s: %v", fixed.name, err)
			}
		}
	}
	r.oneSource(s, m, []string{"level", "field", "inner", "fixed"})
	if as := s.get("as"); as.given() {
		o.As = r.as(as, check)
	}
	return o
}

// oneSource complains unless one of the keys is given, and is possible.
func (r *reader) oneSource(s section, m outyard.Mapping, among []string) {
	if s.node == nil || s.node.Kind != yaml.MappingNode || s.node.Anchor != "" {
		return // has been complained about as a whole
	}
	var given []string
	for _, key := range among {
		if _, there := s.values[key]; there {
			given = append(given, key)
		}
		if slices.Contains(s.meant, key) {
			return
		}
	}
	switch {
	case len(given) == 0:
		r.say(s.item, "%s does not say where it stands: want %s", s.name, oneOf(among))
		return
	case len(given) > 1:
		r.say(s.item, "%s has %s: keep one of them", s.name, strings.Join(given, " and "))
		return
	}
	it := s.get(given[0])
	switch {
	case !it.given():
		r.say(it, "%s is empty: fill it in", it.name)
	case m.Base64 == "" && (given[0] == "inner" || given[0] == "bytes"):
		r.say(it, "%s stands within a base64 field, and the mapping names none: add one, such as base64: data", it.name)
	}
}

// as reads which id stands for what: keys of the keeper's own.
func (r *reader) as(it item, check func(string) error) map[string]string {
	if !r.plain(it) {
		return nil
	}
	if it.node.Kind != yaml.MappingNode {
		r.say(it, `%s is %s: want lines such as "70B3D5": h01`, it.name, kindOf(it.node))
		return nil
	}
	as := map[string]string{}
	lines := map[string]int{}
	for i := 0; i+1 < len(it.node.Content); i += 2 {
		key := it.node.Content[i]
		at := it.under(key, "")
		at.node = key
		id, ok := r.text(at)
		if !ok {
			continue
		}
		if before, twice := lines[id]; twice {
			r.say(at, "%s has %q already on line %d: keep one of the two", it.name, id, before)
			continue
		}
		lines[id] = key.Line
		value := it.under(it.node.Content[i+1], "."+id)
		if !value.given() {
			r.say(value, "%s is empty: give it an id", value.name)
			continue
		}
		if as[id], ok = r.text(value); ok {
			if err := check(as[id]); err != nil {
				r.say(value, "%s: %v", value.name, err)
			}
		}
	}
	return as
}

// spot reads where a value stands.
func (r *reader) spot(s section, m outyard.Mapping) outyard.Spot {
	var at outyard.Spot
	at.Field, _ = r.path(s.get("field"))
	at.Inner, _ = r.path(s.get("inner"))
	if it := s.get("bytes"); it.given() {
		at.Bytes = r.byteRange(r.section(it, byteRange))
	}
	r.oneSource(s, m, []string{"field", "inner", "bytes"})
	return at
}

func (r *reader) byteRange(s section) *outyard.ByteRange {
	b := outyard.ByteRange{Signed: r.boolean(s.get("signed"))}
	if !s.get("at").given() {
		r.missing(s, "at", "0")
	}
	if !s.get("width").given() {
		r.missing(s, "width", "2")
	}
	b.At, _ = r.whole(s.get("at"), 0, maxAtByte, "the place of its first byte, from 0")
	b.Width, _ = r.whole(s.get("width"), 1, outyard.MaxByteWidth, fmt.Sprintf("1 to %d bytes", outyard.MaxByteWidth))
	if order := s.get("order"); order.given() {
		if text, ok := r.text(order); ok && text != "big" && text != "little" {
			r.say(order, "%s is %q: want big, the greatest byte first, or little", order.name, text)
		} else {
			b.Little = text == "little"
		}
	}
	return &b
}

func (r *reader) mappedTime(of section, m outyard.Mapping) outyard.MappedTime {
	it := of.get("time")
	if !it.given() {
		return outyard.MappedTime{}
	}
	s := r.section(it, "mappings.time")
	t := outyard.MappedTime{Spot: r.spot(s, m), Optional: r.boolean(s.get("optional"))}
	format := s.get("format")
	if !format.given() {
		r.missing(s, "format", string(outyard.UnixTime))
		return t
	}
	if name, ok := r.text(format); ok {
		t.Format = outyard.TimeFormat(name)
		var names []string
		for _, f := range outyard.TimeFormats {
			names = append(names, string(f))
		}
		switch {
		case !slices.Contains(names, name):
			r.say(format, "%s is %q: %s", format.name, name, meant(name, names))
		case t.Format == outyard.RFC3339 && t.Bytes != nil:
			r.say(format, "%s is %s, which is text, and bytes hold a number: want unix or unix-ms", format.name, name)
		}
	}
	return t
}

func (r *reader) mappedValue(s section, name string, m outyard.Mapping) outyard.MappedValue {
	v := outyard.MappedValue{Spot: r.spot(s, m), Scale: 1, Optional: r.boolean(s.get("optional"))}
	unit := s.get("unit")
	if v.Raw = name == outyard.RawWeight; v.Raw {
		v.Quantity = outyard.Weight
		if unit.given() {
			r.say(unit, "%s: counts have no unit: take it away, or map weight", unit.name)
		}
	} else {
		v.Quantity, _ = outyard.ParseQuantity(name)
		if text, ok := r.text(unit); ok {
			v.Unit = text
			if err := v.Quantity.CheckUnit(text); err != nil {
				r.say(unit, "%s: %v", s.name, err)
			}
		} else if !unit.given() {
			r.missing(s, "unit", v.Quantity.Units()[0])
		}
	}
	if it := s.get("scale"); it.given() {
		var ok bool
		if v.Scale, ok = r.number(it); ok && v.Scale == 0 {
			r.say(it, "%s is 0, which makes every value the same: want what the value is multiplied by", it.name)
		}
	}
	v.Offset, _ = r.number(s.get("offset"))
	if it := s.get("absent"); it.given() {
		if x, ok := r.number(it); ok {
			v.Absent = &x
		}
	}
	return v
}

// describeMapping says in a line what a mapping does.
func describeMapping(m outyard.Mapping) string {
	var names []string
	for _, v := range m.Values {
		names = append(names, v.Name())
	}
	whose := "yard by " + describeOrigin(m.Yard)
	if hive := describeOrigin(m.Hive); hive != "" {
		whose += ", hive by " + hive
	} else {
		whose += ", its weather"
	}
	return fmt.Sprintf("%s: %s, %s: %s", m.Name, m.Filter, whose, strings.Join(names, ", "))
}

func describeOrigin(o outyard.Origin) string {
	switch {
	case o.Level > 0:
		return fmt.Sprintf("level %d", o.Level)
	case o.Field != "":
		return o.Field
	case o.Inner != "":
		return o.Inner
	}
	return o.Fixed
}
