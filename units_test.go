package outyard_test

import (
	"bufio"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestSentencesInTheReadersUnits(t *testing.T) {
	both := outyard.Units{Pounds: true, Fahrenheit: true}
	for _, tt := range []struct{ in, want string }{
		// 1 kg is 2.2046 lb; 0 °C are 32 °F and a kelvin is 1.8 °F.
		{"2.4 kg left the hive within 15 minutes.", "5.3 lb left the hive within 15 minutes."},
		{"The scale fell from 42.1 to 3.0 kg at noon.", "The scale fell from 92.8 to 6.6 lb at noon."},
		{"20 of 38 kg are left on the scale", "44 of 84 lb are left on the scale"},
		{"gains 0.3 kg a day (0.3 to 0.4).", "gains 0.7 lb a day (0.7 to 0.9)."},
		{"Stores of about 12 kg last some 20 days (15 to 25) at 0.25 kg a day, with 5 kg left as a reserve.", "Stores of about 26 lb last some 20 days (15 to 25) at 0.55 lb a day, with 11 lb left as a reserve."},
		{"24 kg (medium) to 36 kg (deep)", "53 lb (medium) to 79 lb (deep)"},
		{"the brood nest warmed by 1.2 °C just before", "the brood nest warmed by 2.2 °F just before"},
		{"it was 5.0 °C colder inside", "it was 9.0 °F colder inside"},
		{"17 °C, 1 K above the air outside", "63 °F, 2 °F above the air outside"},
		{"its coldest hour is 3.0 (2.5 to 3.2) K colder", "its coldest hour is 5.4 (4.5 to 5.8) °F colder"},
		{"moves the probe by 0.8 K, as", "moves the probe by 1.4 °F, as"},
		{"it was 18 °C outside", "it was 64 °F outside"},
		{"between 34 and 36 °C", "between 93 and 97 °F"},
		{"−2.5 kg, below -4 °C", "−5.5 lb, below 25 °F"},
		{"FFP2, 20 % water, 12 hives, 4 kgs", "FFP2, 20 % water, 12 hives, 4 kgs"},
	} {
		require.Equal(t, tt.want, both.Say(tt.in))
		require.Equal(t, tt.in, outyard.Units{}.Say(tt.in))
	}
	require.Equal(t, "2.4 kg at 64 °F", outyard.Units{Fahrenheit: true}.Say("2.4 kg at 18 °C"))
}

// Whatever the analyses say has to be understood, and a sentence that is half
// in kilograms would be worse than none.
func TestEverySentenceOfTheSeasonsIsTurned(t *testing.T) {
	files, err := filepath.Glob("testdata/seasons/*/findings.jsonl")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	left := regexp.MustCompile(`\bkg\b|°C|\d K\b`)
	turned := 0
	for _, name := range files {
		f, err := os.Open(name)
		require.NoError(t, err)
		lines := bufio.NewScanner(f)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			var found outyard.Finding
			require.NoError(t, json.Unmarshal(lines.Bytes(), &found))
			for _, s := range append(append([]string{found.Summary}, found.Advice...), found.Caution...) {
				said := outyard.Units{Pounds: true, Fahrenheit: true}.Say(s)
				require.NotRegexp(t, left, said)
				if said != s {
					turned++
				}
			}
		}
		require.NoError(t, lines.Err())
		require.NoError(t, f.Close())
	}
	require.Greater(t, turned, 3)
}
