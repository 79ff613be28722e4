package air

import (
	"fmt"
	"os"
	"reflect"
	"regexp"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestEachSettingSaysItsDefaultAndHasIt(t *testing.T) {
	text, err := os.ReadFile("settings.go")
	require.NoError(t, err)
	said := map[string]string{}
	for _, m := range regexp.MustCompile(`(?:// |and )([A-Z]\w+), (-?[\d.]+)[: ]`).FindAllStringSubmatch(string(text), -1) {
		said[m[1]] = m[2]
	}
	set := reflect.ValueOf(DefaultSettings())
	for i := range set.NumField() {
		name := set.Type().Field(i).Name
		if name == "Mould" || name == "Weather" || name == "NoWeather" {
			continue // a class, named in words; weights, tested below
		}
		want, err := strconv.ParseFloat(said[name], 64)
		require.NoError(t, err, "%s says no default", name)
		got := set.Field(i)
		if got.CanInt() {
			require.Equal(t, want, float64(got.Int()), name)
			continue
		}
		require.Equal(t, want, got.Float(), name)
	}
}

func TestEachWeightSaysItsDefaultsAndHasThem(t *testing.T) {
	text, err := os.ReadFile("odds.go")
	require.NoError(t, err)
	said := map[string]string{}
	for _, m := range regexp.MustCompile(`// ([A-Z]\w+), (-?[\d.]+ and -?[\d.]+)[:,]`).FindAllStringSubmatch(string(text), -1) {
		said[m[1]] = m[2]
	}
	set := DefaultSettings()
	with, without := reflect.ValueOf(set.Weather), reflect.ValueOf(set.NoWeather)
	for i := range with.NumField() {
		name := with.Type().Field(i).Name
		require.Equal(t, fmt.Sprintf("%g and %g", with.Field(i).Float(), without.Field(i).Float()), said[name], name)
	}
}
