package alerts_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
	"outyard/analysis"
)

// What is stored while readings come in is what the analyses find in all of
// them together: live is replay.
func TestTheAnalysesFindTheSameLive(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		south := alderSlip // where January is summer
		south.Latitude, south.Longitude = -38, 0
		b.opts.Yards = []outyard.Yard{south}
		b.course = func(y outyard.Yard, journal []outyard.Entry) alerts.Course {
			return analysis.NewCourse(y, journal, analysis.DefaultSettings())
		}
		b.start(b.db)
		whole := b.course(south, nil)
		begin := time.Now().UTC()
		const days, perDay = 3, 144
		for i := range days*perDay + 12 {
			at := begin.Add(time.Duration(i) * 10 * time.Minute)
			rs := []outyard.Reading{outyard.NewReading("alder-slip", "", at)}
			rs[0].Values[outyard.OutsideTemp], rs[0].Values[outyard.Rain], rs[0].Values[outyard.Wind] = 22, 0, 1
			for n, hive := range []outyard.HiveID{"h01", "h02", "h03"} {
				kg := 40 + 0.01*math.Sin(float64(7*i+n))
				if hive == "h02" && i >= days*perDay {
					kg -= 2.4
				}
				r := weigh(hive, at, outyard.Weight.Round(kg))
				r.Values[outyard.InsideTemp] = 34.8
				rs = append(rs, r)
			}
			for _, r := range rs {
				require.NoError(t, whole.Observe(r))
			}
			b.arrive(rs...)
			wait(10 * time.Minute)
		}
		whole.Advance(time.Now())
		require.NotEmpty(t, whole.Findings())
		require.Len(t, living(b.findings()), len(whole.Findings()))
		require.Empty(t, alerts.NewLedger(b.findings()).Reconcile(whole.Findings(), time.Now()), "nothing differs")
		require.Equal(t, len(whole.Days()), len(b.days()))
		require.EqualValues(t, 1, b.counter("outyard_alerts_rebuilds_total"), "nothing here is late")
		b.stop()
	})
}
