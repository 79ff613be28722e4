package main

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestPercentileIsTheNearestRank(t *testing.T) {
	hundred := make([]float64, 100)
	for i := range hundred {
		hundred[i] = float64(100 - i) // out of order
	}
	tests := []struct {
		name   string
		values []float64
		p      float64
		want   float64
	}{
		{"of a hundred, the 99th", hundred, 99, 99},
		{"all of them", hundred, 100, 100},
		{"of one, that one", []float64{7}, 99, 7},
		// Five values: the ordinal rank of the 30th percentile is 2, of the
		// 40th 2, of the 50th 3 (nearest-rank definition).
		{"the 30th of five is the second", []float64{15, 20, 35, 40, 50}, 30, 20},
		{"and so is the 40th", []float64{15, 20, 35, 40, 50}, 40, 20},
		{"the middle of five", []float64{50, 15, 40, 20, 35}, 50, 35},
		{"the least is the least", []float64{3, 1, 2}, 0, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) { require.Equal(t, tt.want, percentile(tt.values, tt.p)) })
	}
	require.True(t, math.IsNaN(percentile([]float64{}, 50)), "of none there is none")
}

func TestAFigureIsMetUpToItsLimit(t *testing.T) {
	require.True(t, figure{value: 0.45, bound: atLeast, limit: 0.45}.met())
	require.False(t, figure{value: 0.449, bound: atLeast, limit: 0.45}.met())
	require.True(t, figure{value: 26, bound: atMost, limit: 26}.met())
	require.False(t, figure{value: 26.01, bound: atMost, limit: 26}.met())
	require.False(t, figure{value: math.NaN(), bound: atMost, limit: 26}.met(), "what could not be measured")
	require.True(t, figure{value: -1}.met(), "without a target")
}

func TestProcessorTimeIsReadPastAName(t *testing.T) {
	// proc(5): utime is field 14, stime field 15.
	got, err := parseCPU("42 (a name) with (brackets)) S 1 42 42 0 -1 4194560 2141 0 0 0 1234 66 0 0 20 0 9 0 1 2 3")
	require.NoError(t, err)
	require.InDelta(t, 13.0, got, 1e-9)
	_, err = parseCPU("42 (short) S 1")
	require.Error(t, err)
}

func TestMemoryIsInMiB(t *testing.T) {
	status := "Name:\tx\nVmHWM:\t  102400 kB\nVmRSS:\t   51200 kB\n"
	got, err := parseMemory(strings.NewReader(status), "VmRSS")
	require.NoError(t, err)
	require.InDelta(t, 50.0, got, 1e-9)
	_, err = parseMemory(strings.NewReader(status), "VmSwap")
	require.Error(t, err)
}
