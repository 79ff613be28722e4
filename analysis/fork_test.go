package analysis

import (
	"fmt"
	"reflect"
	"testing"
	"time"
	"unsafe"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/simulator"
)

// aSeason is a busy spring of two hives.
func aSeason(t *testing.T, days int) (outyard.Yard, []outyard.Reading) {
	season := simulator.Invent(31, simulator.Options{Start: time.Date(2026, time.April, 20, 7, 0, 0, 0, time.UTC),
		Days: days, Yards: 1, HivesPerYard: 2, Cadence: 30 * time.Minute})
	var rs []outyard.Reading
	_, err := season.Run(func(r outyard.Reading) error {
		rs = append(rs, r)
		return nil
	})
	require.NoError(t, err)
	return season.Yards()[0], rs
}

func told(c *Course) []any { return []any{c.Findings(), c.Days(), c.Due(), c.Revision()} }

func TestAForkGoesItsOwnWay(t *testing.T) {
	yard, rs := aSeason(t, 40)
	middle := 2 * len(rs) / 3
	whole, half := NewCourse(yard, nil, DefaultSettings()), NewCourse(yard, nil, DefaultSettings())
	for i, r := range rs {
		require.NoError(t, whole.Observe(r))
		if i < middle {
			require.NoError(t, half.Observe(r))
		}
	}
	fork := half.Fork()
	was := half.Fork()
	for _, r := range rs[middle:] {
		require.NoError(t, fork.Observe(r))
	}
	same := func(want, got *Course) {
		t.Helper()
		require.Empty(t, cmp.Diff(told(want), told(got), cmpopts.EquateNaNs()))
	}
	same(whole, fork)
	same(was, half)
	for _, r := range rs[middle:] {
		require.NoError(t, half.Observe(r))
	}
	same(whole, half)
}

func TestAForkSharesNothingThatIsWrittenTo(t *testing.T) {
	yard, rs := aSeason(t, 40)
	c := NewCourse(yard, nil, DefaultSettings())
	for _, r := range rs {
		require.NoError(t, c.Observe(r))
	}
	c.Findings()
	mine, forks := memory{}, memory{}
	mine.walk(reflect.ValueOf(c), "course")
	forks.walk(reflect.ValueOf(c.Fork()), "course")
	require.Greater(t, len(mine), 100, "there is something to share")
	for at, path := range mine {
		require.NotContains(t, forks, at, "%s is the fork's as well", path)
	}
}

// memory is where what a value leads to lies, and how it is reached.
type memory map[unsafe.Pointer]string

func (m memory) walk(v reflect.Value, path string) {
	if shared[v.Type()] {
		return
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Map, reflect.Slice:
		if v.IsNil() || v.Kind() == reflect.Slice && v.Cap() == 0 {
			return
		}
		if at := v.UnsafePointer(); v.Kind() != reflect.Pointer || m[at] == "" {
			m[at] = path
		} else {
			return
		}
	case reflect.Func, reflect.Chan, reflect.UnsafePointer:
		if !v.IsNil() {
			m[v.UnsafePointer()] = path + ": of a kind that cannot be copied, it"
		}
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			m.walk(v.Elem(), path)
		}
	case reflect.Map:
		for each := v.MapRange(); each.Next(); {
			m.walk(each.Key(), path+" key")
			m.walk(each.Value(), fmt.Sprintf("%s[%v]", path, each.Key()))
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			m.walk(v.Index(i), fmt.Sprintf("%s[%d]", path, i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			m.walk(v.Field(i), path+"."+v.Type().Field(i).Name)
		}
	}
}
