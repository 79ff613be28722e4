package web

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestEveryKindHasWordsAndALetterOfItsOwn(t *testing.T) {
	seen := map[string]outyard.Kind{"J": "journal", "?": "a newer program's"}
	for _, k := range outyard.Kinds {
		require.NotEqual(t, outyard.Kind("x").Happened(), k.Happened())
		other, taken := seen[letterOf(k)]
		require.False(t, taken, "%s and %s share the letter %s", k, other, letterOf(k))
		seen[letterOf(k)] = k
	}
	for _, k := range outyard.EntryKinds {
		require.NotEmpty(t, entryTexts[k], "%s has no words", k)
	}
	require.Equal(t, "?", letterOf("queen-piping"), "a kind from a newer program is still said")
}

func TestWords(t *testing.T) {
	at := func(s string) time.Time {
		v, err := time.ParseInLocation("2006-01-02 15:04", s, pacific)
		require.NoError(t, err)
		return v
	}
	ago := func(s string) string { return agoText(at(s), testNow, pacific) }
	when := func(s string) string { return whenText(at(s), testNow, pacific) }
	fact := func(name string, v any) string {
		label, value := factText(name, v)
		return label + ": " + value
	}
	tests := []struct{ name, got, want string }{
		{"a minute is just now", ago("2027-05-14 16:19"), "just now"},
		{"minutes are counted", ago("2027-05-14 15:31"), "49 minutes ago"},
		{"an hour and a bit is an hour", ago("2027-05-14 15:05"), "an hour ago"},
		{"this morning is hours ago", ago("2027-05-14 06:20"), "10 hours ago"},
		{"last evening is hours ago while it is near", ago("2027-05-13 22:50"), "yesterday"},
		{"yesterday is the calendar's, not 24 hours", ago("2027-05-13 02:00"), "yesterday"},
		{"days are the calendar's", ago("2027-05-06 23:00"), "8 days ago"},
		{"weeks", ago("2027-04-20 09:00"), "3 weeks ago"},
		{"months", ago("2026-11-14 09:00"), "5 months ago"},
		{"years", ago("2020-05-14 09:00"), "7 years ago"},
		{"a clock ahead", ago("2027-05-14 16:40"), "in the time to come"},

		{"this year needs no year", when("2027-05-12 14:10"), "Wed 12 May, 14:10"},
		{"another year does", when("2026-05-12 14:10"), "Tue 12 May 2026, 14:10"},
		{"midnight stands for the day", when("2027-05-12 00:00"), "Wed 12 May"},
		{"never is nothing", whenText(time.Time{}, testNow, pacific), ""},

		{"a fact that says what it is", fact("change_kg", -2.4), "Change: −2.40 kg"},
		{"a difference of degrees is told in degrees", fact("warmed_k", 1.7), "The brood nest warmed by: 1.70 °C"},
		{"the least of a number", fact("room_kg_low", 9.4), "Room for honey, at least: 9.40 kg"},
		{"the first of days", fact("onset_low", "2026-05-21"), "Began, at the earliest: 2026-05-21"},
		{"the last of days", fact("super_by_high", "2026-06-11"), "A super has to be on by, at the latest: 2026-06-11"},
		{"a fact of a newer program", fact("sting_count", 3.0), "Sting count: 3"},

		{"sure", confidenceText(0.99), "almost certain"},
		{"nine in ten", confidenceText(0.9), "very likely, 9 in 10"},
		{"seven in ten", confidenceText(0.74), "likely, 7 in 10"},
		{"a coin", confidenceText(0.5), "as likely as not"},
		{"three in ten", confidenceText(0.3), "only a suspicion, 3 in 10"},
		{"not said", confidenceText(math.NaN()), "not known how sure"},

		{"unknown is a dash, not zero", number(math.NaN(), 1), "–"},
		{"a loss has a true minus", signed(-0.44, 1), "−0.4"},
		{"a gain has a plus", signed(1.25, 1), "+1.2"},
		{"nothing has neither", signed(-0.01, 1) + signed(0.01, 1), "0.00.0"},

		{"a change", fact("change_kg", -2.4), "Change: −2.40 kg"},
		{"a rate", fact("gain_kg_per_day", 1.3), "Gain: 1.30 kg a day"},
		{"a temperature", fact("brood_temp_c", 34.5), "Brood nest: 34.5 °C"},
		{"whole numbers stay whole", fact("wet_hours", 9.0), "Wet: 9 hours"},
		{"a list as it comes from JSON", fact("reasons", []any{"a warm day", "no lifting"}), "Why: a warm day; no lifting"},
		{"yes", fact("with_weather", true), "With weather: yes"},
		{"a name that is only a unit", fact("kg", 2.0), "Kg: 2"},

		{"none", count(0, "hive", "hives"), "no hives"},
		{"one", count(1, "hive", "hives"), "1 hive"},
		{"three named", listed([]string{"a", "b", "c"}), "a, b and c"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) { require.Equal(t, tt.want, tt.got) })
	}
}

func TestWhatIsUnsureIsNotSaidAsAFact(t *testing.T) {
	for _, tt := range []struct {
		confidence  float64
		title, sure string
	}{
		{0.02, "Perhaps: flow is over", "only a faint suspicion"},
		{0.44, "Perhaps: flow is over", "only a suspicion, 4 in 10"},
		{0.5, "Flow is over", "as likely as not"},
		{0.9, "Flow is over", "very likely, 9 in 10"},
		{outyard.Unknown, "Flow is over", "not known how sure"},
	} {
		require.Equal(t, tt.title, titleOf(outyard.Finding{Kind: outyard.FlowEnd, Confidence: tt.confidence, State: outyard.Over}))
		require.Equal(t, tt.sure, confidenceText(tt.confidence))
	}
}
