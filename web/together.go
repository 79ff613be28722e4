package web

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"slices"
	"time"

	"outyard"
)

// A member is one hive of a note that speaks of several.
type member struct {
	Name, URL string
	Number    string // the one number that tells it from the others
}

// A note names so many hives, the worst first, and counts the rest.
const mostMembers = 12

// alone are the kinds that stand by themselves: each is a drive of its own.
func alone(f outyard.Finding) bool {
	switch f.Kind {
	case outyard.Swarm, outyard.KnockedOver, outyard.Robbing:
		return true
	}
	return f.Hive == ""
}

// together puts a yard's findings into notes, the most pressing first: hives
// that want the same thing are one note, for one box of supers serves them
// all.
func (s *site) together(found []outyard.Finding, p place, now time.Time) []note {
	return s.grouped(found, p, now, func(f outyard.Finding) string { return string(f.Kind) + "-" + string(f.Severity) })
}

// lately puts a yard's past into notes: what happened to several hives on one
// day is one note. The order of the findings is kept.
func (s *site) lately(found []outyard.Finding, p place, now time.Time) []note {
	return s.grouped(found, p, now, func(f outyard.Finding) string {
		return fmt.Sprintf("%s-%s-%s-%s", f.Kind, f.Severity, f.State, outyard.DateOf(f.Onset, p.zone()))
	})
}

func (s *site) grouped(found []outyard.Finding, p place, now time.Time, key func(outyard.Finding) string) []note {
	var order []string
	groups := map[string][]outyard.Finding{}
	for _, f := range found {
		k := key(f)
		if alone(f) {
			k = f.ID
		}
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], f)
	}
	out := make([]note, 0, len(order))
	for _, k := range order {
		if g := groups[k]; len(g) == 1 {
			out = append(out, s.noteOf(g[0], p, now))
		} else {
			out = append(out, s.noteOfSeveral(k, g, p, now))
		}
	}
	return out
}

// noteOfSeveral says once what holds for several hives of a yard.
func (s *site) noteOfSeveral(key string, found []outyard.Finding, p place, now time.Time) note {
	found = slices.Clone(found)
	slices.SortStableFunc(found, func(a, b outyard.Finding) int { return cmp.Compare(worst(a), worst(b)) })
	first := slices.MinFunc(found, func(a, b outyard.Finding) int { return a.Onset.Compare(b.Onset) })
	n := s.noteOf(first, p, now)
	n.ID, n.SeeURL = key+"-"+string(p.ID), yardURL(p.ID)
	n.HiveName, n.HiveURL, n.HiveID, n.Summary, n.Facts, n.AnswerURL, n.Ended = "", "", "", "", nil, "", ""
	least, most := first.Confidence, first.Confidence
	for i, f := range found {
		least, most = min(least, f.Confidence), max(most, f.Confidence)
		if i < mostMembers || len(found) == mostMembers+1 {
			one := s.noteOf(f, p, now)
			n.Hives = append(n.Hives, member{one.HiveName, one.SeeURL, numberOf(f, now, p.zone())})
		}
	}
	if rest := len(found) - len(n.Hives); rest > 0 {
		n.More = count(rest, "more hive", "more hives")
		n.MoreURL = "/findings?" + url.Values{"yard": {string(p.ID)}, "kind": {string(first.Kind)}, "state": {string(first.State)}}.Encode()
	}
	n.Where = count(len(found), "hive", "hives")
	first.Confidence = most
	n.Title = titleOf(first)
	if n.Confidence = confidenceText(least); n.Confidence != confidenceText(most) {
		n.Confidence += ", at least"
	}
	n.Advice = saidOf(found, p, func(f outyard.Finding) []string { return f.Advice })
	n.Caution = saidOf(found, p, func(f outyard.Finding) []string { return f.Caution })
	n.First = ""
	if len(n.Advice) > 0 {
		n.First = n.Advice[0]
	}
	return n
}

// saidOf is what is said of the hives: what holds for all once, and what
// holds for some with their names, so that nothing said of one is lost.
func saidOf(found []outyard.Finding, p place, lines func(outyard.Finding) []string) []string {
	var order []string
	of := map[string][]outyard.HiveID{}
	for _, f := range found {
		for _, l := range lines(f) {
			if of[l] == nil {
				order = append(order, l)
			}
			of[l] = append(of[l], f.Hive)
		}
	}
	named := func(hives []outyard.HiveID) string {
		names := make([]string, len(hives))
		for i, h := range hives {
			names[i] = p.hiveName(h)
		}
		return listed(names)
	}
	var all, some []string
	for _, l := range order {
		switch {
		case len(of[l]) == len(found):
			all = append(all, l)
		case len(of[l]) > mostMembers:
			some = append(some, fmt.Sprintf("%d of them: %s", len(of[l]), l))
		default:
			some = append(some, named(of[l])+": "+l)
		}
	}
	if rest := len(some) - mostMembers; rest > 0 {
		some = append(some[:mostMembers], fmt.Sprintf("Each of the others has its own advice, on its own page: %d more lines.", rest))
	}
	return append(all, some...)
}

// numbers are, by kind, the fact that tells one hive from the next, how it is
// said, and whether less of it is worse.
var numbers = map[outyard.Kind][]struct {
	fact, say string
	decimals  int
	lessWorse bool
}{
	outyard.RoomLow:    {{"room_kg", "room for %s kg", 0, true}},
	outyard.StoresLow:  {{"short_kg", "%s kg short", 0, false}, {"days_left", "%s days left", 0, true}, {"stores_kg", "%s kg left", 0, true}},
	outyard.Damp:       {{"wall_rh_pct", "wall at %s %%", 0, false}, {"inside_rh_pct", "air at %s %%", 0, false}},
	outyard.MouldRisk:  {{"mould_index", "index %s of 6", 1, false}},
	outyard.BroodCold:  {{"brood_temp_c", "%s °C", 1, true}},
	outyard.BatteryLow: {{"days_left", "%s days left", 0, true}, {"battery_v", "%s V", 2, true}},
	outyard.Handling:   {{"change_kg", "%s kg", 1, false}},
}

// numberOf is the one number of a finding among others of its kind; where
// there is none, since when.
func numberOf(f outyard.Finding, now time.Time, zone *time.Location) string {
	for _, n := range numbers[f.Kind] {
		if v := f.Fact(n.fact); outyard.Known(v) {
			if n.fact == "room_kg" && v < 0.5 {
				return "no room"
			}
			text := number(v, n.decimals)
			if n.fact == "change_kg" {
				text = signed(v, n.decimals)
			}
			return fmt.Sprintf(n.say, text)
		}
	}
	return "since " + whenText(f.Onset, now, zone)
}

// worst is least for the hive that wants its visit most.
func worst(f outyard.Finding) float64 {
	for i, n := range numbers[f.Kind] {
		if v := f.Fact(n.fact); outyard.Known(v) {
			if !n.lessWorse {
				v = -v
			}
			// Those told by another number come after: the two do not compare.
			return v + float64(i)*1e6
		}
	}
	return math.Inf(1)
}
