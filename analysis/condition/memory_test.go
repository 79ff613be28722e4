package condition

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
)

func TestAMemoryGivesBackWhatItKeeps(t *testing.T) {
	start := time.Date(2027, 5, 12, 6, 0, 0, 0, time.UTC)
	m := Memory{For: 12 * time.Hour}
	var all []Sample
	for i := range 300 { // 50 hours
		s := Sample{Time: start.Add(time.Duration(i) * 10 * time.Minute), WeightKg: 40 + float64(i)/100,
			LowKg: 39, HighKg: 41.5, InsideTempC: 34.5, InsideRHPct: math.NaN()}
		if i%7 == 0 {
			s.WeightKg = math.NaN()
		}
		all = append(all, s)
		m.Add(s)
	}
	end := all[len(all)-1].Time

	near := cmp.Options{cmpopts.EquateNaNs(), cmpopts.EquateApprox(0, 1e-5)}
	want := all[len(all)-73:] // twelve hours, both ends
	if d := cmp.Diff(want, m.Between(end.Add(-12*time.Hour), end.Add(time.Second)), near); d != "" {
		t.Error("the last twelve hours (-want +got):\n" + d)
	}
	require.Len(t, m.Between(end.Add(-time.Hour), end), 6, "the end is not included")
	require.Empty(t, m.Between(start, start.Add(time.Hour)), "what is long past is gone")
	require.LessOrEqual(t, len(m.kept), 18*6+1, "no more than the tidying allows")
}

func TestTheWeightNearestToAnInstant(t *testing.T) {
	at := func(minute int) time.Time { return time.Date(2027, 5, 12, 6, minute, 0, 0, time.UTC) }
	m := Memory{For: time.Hour}
	m.Add(Sample{Time: at(0), WeightKg: 40})
	m.Add(Sample{Time: at(10), WeightKg: math.NaN()})
	m.Add(Sample{Time: at(20), WeightKg: 42})

	for name, c := range map[string]struct {
		minute int
		want   float64
	}{
		"on a sample":                   {0, 40},
		"nearer to the earlier":         {8, 40},
		"an unknown one is passed over": {11, 42},
		"as far as is allowed":          {50, 42},
		"too far":                       {51, math.NaN()},
	} {
		t.Run(name, func(t *testing.T) {
			if d := cmp.Diff(c.want, m.WeightKg(at(c.minute), 30*time.Minute), cmpopts.EquateNaNs()); d != "" {
				t.Error(d)
			}
		})
	}
	empty := Memory{}
	require.True(t, math.IsNaN(empty.WeightKg(at(0), time.Hour)))
}
