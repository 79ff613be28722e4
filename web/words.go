package web

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"outyard"
	"outyard/web/chart"
)

// letters mark the kinds of finding on charts and beside sentences.
var letters = map[outyard.Kind]string{
	outyard.Swarm: "S", outyard.KnockedOver: "K", outyard.Robbing: "R", outyard.StoresLow: "L", outyard.BroodCold: "C",
	outyard.RoomLow: "U", outyard.Damp: "D", outyard.MouldRisk: "M", outyard.FlowStart: "F", outyard.FlowEnd: "E",
	outyard.Silent: "Q", outyard.SensorFault: "X", outyard.BatteryLow: "B", outyard.Handling: "W",
}

// letterOf has a letter for any kind, so that one that a newer program wrote
// is still shown.
func letterOf(k outyard.Kind) string { return cmp.Or(letters[k], "?") }

var stateTexts = map[outyard.State]string{
	outyard.Open:      "Open",
	outyard.Over:      "Over",
	outyard.Withdrawn: "Withdrawn: it was not so",
}

var entryTexts = map[outyard.EntryKind]string{
	outyard.Visit:      "Visit",
	outyard.BoxOn:      "Box on",
	outyard.BoxOff:     "Box off",
	outyard.HoneyTaken: "Honey taken",
	outyard.Fed:        "Fed",
	outyard.SwarmTaken: "Swarm taken",
	outyard.Split:      "Split",
	outyard.Treated:    "Treated",
	outyard.ScaleSet:   "Scale set",
}

// confidenceText says a probability as a person would, with the number that
// stands behind it.
func confidenceText(p float64) string {
	switch {
	case !outyard.Known(p) || p <= 0:
		return "not known how sure"
	case p >= 0.985:
		return "almost certain"
	case p >= 0.945:
		return "very likely, 19 in 20"
	case p >= 0.85:
		return "very likely, 9 in 10"
	case p >= 0.7:
		return fmt.Sprintf("likely, %d in 10", int(math.Round(p*10)))
	case p >= 0.55:
		return "more likely than not, 6 in 10"
	case p >= 0.45:
		return "as likely as not"
	case p >= 0.15:
		return fmt.Sprintf("only a suspicion, %d in 10", int(math.Round(p*10)))
	}
	return "only a faint suspicion"
}

// whenText is an instant on the yard's own clock; the year is said when it is
// not this one. Midnight stands for the day: what is found by days has no hour.
func whenText(t, now time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	t = t.In(zone)
	day := dateText(outyard.DateOf(t, zone), now, zone)
	if t.Hour() == 0 && t.Minute() == 0 {
		return day
	}
	return day + t.Format(", 15:04")
}

// dateText is a day; the year is said when it is not this one.
func dateText(d outyard.Date, now time.Time, zone *time.Location) string {
	t := d.Start(time.UTC)
	if d.Year != now.In(zone).Year() {
		return t.Format("Mon 2 Jan 2006")
	}
	return t.Format("Mon 2 Jan")
}

// agoText is how long ago that was, as it is said aloud.
func agoText(t, now time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	d := now.Sub(t)
	days := outyard.DateOf(now, zone).Sub(outyard.DateOf(t, zone))
	switch {
	case d < -time.Minute:
		return "in the time to come"
	case d < 2*time.Minute:
		return "just now"
	case d < time.Hour:
		return fmt.Sprintf("%d minutes ago", int(d.Minutes()))
	case d < 90*time.Minute:
		return "an hour ago"
	case d < 12*time.Hour || days == 0:
		return fmt.Sprintf("%d hours ago", int(d.Hours()+0.5))
	case days == 1:
		return "yesterday"
	case days < 14:
		return fmt.Sprintf("%d days ago", days)
	case days < 60:
		return fmt.Sprintf("%d weeks ago", days/7)
	case days < 730:
		return fmt.Sprintf("%d months ago", int(float64(days)/30.44))
	}
	return fmt.Sprintf("%d years ago", days/365)
}

// shortAgo is agoText for a column of a table.
func shortAgo(t, now time.Time) string {
	d := now.Sub(t)
	switch {
	case t.IsZero():
		return "never"
	case d < time.Minute:
		return "now"
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d d", int(d.Hours()/24))
}

// number writes v with so many decimals, and a dash for what is not known.
func number(v float64, decimals int) string {
	if !outyard.Known(v) {
		return "–"
	}
	return chart.Number(v, decimals)
}

// signed is number with a plus before a gain.
func signed(v float64, decimals int) string {
	s := number(v, decimals)
	if outyard.Known(v) && v > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// unitsOfFacts are the endings of the names of facts, longest first, and how
// they are said.
var unitsOfFacts = []struct{ end, unit string }{
	{"_v_per_day", "V a day"}, {"_kg_per_day", "kg a day"}, {"_kg_day", "kg a day"}, {"_kg_per_hour", "kg an hour"}, {"_pct", "%"},
	{"_minutes", "minutes"}, {"_hours", "hours"}, {"_days", "days"}, {"_kg", "kg"}, {"_temp_c", "°C"}, {"_c", "°C"}, {"_pa", "Pa"},
	{"_mm", "mm"}, {"_ms", "m/s"}, {"_v", "V"}, {"_dbm", "dBm"},
}

// factWords are the names of facts that do not say by themselves what they are,
// without their _low or _high, and their units.
var factWords = map[string]struct{ label, unit string }{
	"above_others": {"Mould index above the yard’s other hives", ""}, "assumed": {"Guessed, for want of an entry in the journal", ""},
	"battery_v": {"Battery", "V"}, "before_temp_c": {"Inside before", "°C"}, "brood_temp_c": {"Brood nest", "°C"}, "cadence_minutes": {"Usually sends every", "minutes"},
	"clock_ahead_minutes":        {"Its clock is ahead by (below zero: behind)", "minutes"},
	"condensation_hours_per_day": {"Dew on the wall", "hours a day"}, "coupling": {"How far it goes with the outside, 0 to 1", ""},
	"creep_kg_per_day": {"The scale creeps by", "kg a day"}, "days_to_visible": {"Days until it can be seen", ""}, "unknown_days": {"Not known of the wall, and left out", "days"}, "empty_v": {"Empty at", "V"}, "end": {"Ended", ""},
	"excess_pa": {"More water vapour inside than outside", "Pa"}, "fault": {"What is wrong", ""}, "gain_kg_per_day": {"Gain", "kg a day"},
	"growth_per_day": {"Mould index grows by", "a day"}, "hives": {"Hives", ""}, "hives_compared": {"Hives it was compared with", ""}, "inside_rh_pct": {"Humidity inside", "%"}, "kg_per_day": {"Gain", "kg a day"},
	"kg_per_kelvin": {"The scale shows more for each degree warmer", "kg"}, "left_kg": {"Went away", "kg"}, "lifted_kg": {"Lifted off, or pressed on", "kg"}, "minutes": {"Took", "minutes"},
	"neighbour_gain_kg": {"Neighbours gained", "kg"}, "onset": {"Began", ""}, "outside_temp_c": {"Outside", "°C"}, "p_value": {"Chance of that by accident alone, 0 to 1", ""},
	"quantity": {"What is measured", ""}, "reasons": {"Why", ""}, "rise_pa": {"Water vapour rose by", "Pa"}, "room_kg": {"Room for honey", "kg"}, "shown": {"It shows", ""},
	"slope_pa_per_day": {"Water vapour rises by", "Pa a day"}, "slope_v_per_day": {"The battery changes by", "V a day"}, "super_by": {"A super has to be on by", ""},
	"total_kg": {"In all", "kg"}, "use_kg_per_day": {"Eaten", "kg a day"}, "wall_rh_pct": {"Humidity at the wall", "%"}, "warmed_k": {"The brood nest warmed by", "°C"},
	"weather_known": {"The yard’s weather is known", ""},
}

// factText turns "change_kg" and -2.4 into words and a value with its unit.
func factText(name string, v any) (label, value string) {
	for end, bound := range map[string][2]string{"_low": {", at least", ", at the earliest"}, "_high": {", at most", ", at the latest"}} {
		base, bounded := strings.CutSuffix(name, end)
		if !bounded {
			continue
		}
		label, value = factText(base, v)
		if _, date := v.(string); date {
			return label + bound[1], value
		}
		return label + bound[0], value
	}
	unit := ""
	plain, known := factWords[name]
	if known {
		name, unit = plain.label, plain.unit
	}
	for _, u := range unitsOfFacts {
		if known {
			break
		}
		if base, ok := strings.CutSuffix(name, u.end); ok && base != "" {
			name, unit = base, u.unit
			break
		}
	}
	label = sentence(strings.ReplaceAll(name, "_", " "))
	switch v := v.(type) {
	case float64:
		value = number(v, decimalsFor(v))
	case bool:
		value = map[bool]string{true: "yes", false: "no"}[v]
	case string:
		value = v
	case []string:
		value = strings.Join(v, "; ")
	case []any:
		parts := make([]string, len(v))
		for i, x := range v {
			_, parts[i] = factText("", x)
		}
		value = strings.Join(parts, "; ")
	default:
		value = fmt.Sprint(v)
	}
	if unit != "" {
		value += " " + unit
	}
	return label, value
}

// decimalsFor shows about three figures.
func decimalsFor(v float64) int {
	switch a := math.Abs(v); {
	case a >= 100 || v == math.Trunc(v):
		return 0
	case a >= 10:
		return 1
	}
	return 2
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// count is "no hives", "1 hive", "3 hives".
func count(n int, one, many string) string {
	switch n {
	case 0:
		return "no " + many
	case 1:
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// listed joins names as in a sentence.
func listed(names []string) string {
	switch len(names) {
	case 0:
		return ""
	case 1:
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// talksOfHoney says whether a finding of the kind may lead to honey being
// taken, so that the note about infants belongs below it.
func talksOfHoney(k outyard.Kind) bool {
	switch k {
	case outyard.FlowStart, outyard.FlowEnd, outyard.RoomLow, outyard.StoresLow:
		return true
	}
	return false
}
