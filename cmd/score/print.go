package main

import (
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"outyard"
	"outyard/simulator"
)

func (t *tally) print(w io.Writer) {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "what\tthere\tfound\tshare\tfalse\tfalse per hive-year\twithdrawn\ttold after (median, 90 %)")
	for _, row := range []struct {
		name string
		r    rate
	}{
		{"swarm", t.swarm}, {"handling", t.handling}, {"knocked-over", t.knocked},
		{"robbing", t.robbing}, {"stores-low", t.wants.stores}, {"room-low", t.wants.room}, {"brood-cold", t.brood},
		{"silent", t.silent}, {"battery-low", t.battery}, {"sensor-fault", t.fault},
		{"damp", t.damp}, {"flow-start", t.flowStart}, {"flow-end", t.flowEnd},
	} {
		share := "-"
		if row.r.there > 0 {
			share = fmt.Sprintf("%.3f", float64(row.r.found)/float64(row.r.there))
		}
		told := "-"
		if len(row.r.delay) > 0 {
			told = fmt.Sprintf("%s, %s", delay(row.r, 0.5), delay(row.r, 0.9))
		}
		fmt.Fprintf(tw, "%s\t%d\t%d\t%s\t%d\t%.3f\t%d\t%s\n", row.name, row.r.there, row.r.found, share,
			row.r.wrong, float64(row.r.wrong)/t.hiveYears, row.r.withdrawn, told)
	}
	tw.Flush()
	fmt.Fprintf(w, "told within two readings or 15 minutes: swarm %d of %d, knocked-over %d of %d\n",
		t.swarm.inTime, t.swarm.found, t.knocked.inTime, t.knocked.found)
	fmt.Fprintf(w, "of the missed swarms %d left while the keeper was working on that hive; %d of the missed swarms and hives knocked over sent no weight in the three hours after\n", t.attended, t.unweighed)
	fmt.Fprintf(w, "besides, %d visits changed no reading by %.1f kg, neither while they lasted nor afterwards, and are not counted; nor are %d lying sensors of nodes that sent no weight meanwhile\n", t.traceless, leastTraceKg, t.unheard)
	fmt.Fprintf(w, "of %d findings of cold brood where the keeper had put the probe elsewhere %d say so, and are not false\n", t.movedCold, t.movedSaid)
	fmt.Fprintf(w, "net change of handling, error over 0.4 kg or 10 %%: %.1f %% of %d\n", 100*shareAbove(t.netErr, 0.4), len(t.netErr))
	fmt.Fprintf(w, "daily gain, kg: error median %.3f, 90th percentile %.3f, bias %.3f, over %d hive-days\n",
		quantile(0.5, abs(t.gainErr)), quantile(0.9, abs(t.gainErr)), quantile(0.5, t.gainErr), len(t.gainErr))
	fmt.Fprintf(w, "on days on which the water on the hive changed by more than %.1f kg: error median %.3f, 90th percentile %.3f, bias %.3f, over %d hive-days\n", wetKg,
		quantile(0.5, abs(t.wetErr)), quantile(0.9, abs(t.wetErr)), quantile(0.5, t.wetErr), len(t.wetErr))
	fmt.Fprintf(w, "flow start within 3 days of the first nectar: %.1f %%, of the bloom: %.1f %%; flow end within 3 days of the last nectar: %.1f %%, of the bloom's end: %.1f %%\n",
		100*(1-shareAbove(abs(t.flowStartErr), 3)), 100*(1-shareAbove(abs(t.bloomStartErr), 3)),
		100*(1-shareAbove(abs(t.flowEndErr), 3)), 100*(1-shareAbove(abs(t.bloomEndErr), 3)))
	fmt.Fprintf(w, "flow start told by the third morning after the first nectar: %.1f %%\n", 100*(1-shareAbove(days(t.flowStart.delay), 3.5)))
	fmt.Fprintf(w, "besides, %d flows brought less than %.1f kg a day and are not counted, and %d findings told of as much without a flow in the script, which is no false one\n", t.noNectar, simulator.NectarKg, t.trickles)
	t.wants.print(w)
	t.printCalibration(w)
}

// printCalibration sets what was said against what was so: of findings said at
// 0.9, nine in ten should be true.
func (t *tally) printCalibration(w io.Writer) {
	const bins = 5
	kinds := map[outyard.Kind]*[bins]struct {
		n, right int
		sum      float64
	}{}
	for _, c := range t.said {
		if kinds[c.kind] == nil {
			kinds[c.kind] = new([bins]struct {
				n, right int
				sum      float64
			})
		}
		// The bins meet at 0.5, 0.7, 0.85 and 0.95: few findings are less sure.
		i, _ := slices.BinarySearch([]float64{0.5, 0.7, 0.85, 0.95}, c.confidence)
		b := &kinds[c.kind][i]
		b.n++
		b.sum += c.confidence
		if c.true {
			b.right++
		}
	}
	fmt.Fprintln(w, "said at (mean): true of how many, by how sure")
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, k := range outyard.Kinds {
		if kinds[k] == nil {
			continue
		}
		fmt.Fprintf(tw, "%s", k)
		for _, b := range kinds[k] {
			if b.n == 0 {
				fmt.Fprint(tw, "\t-")
				continue
			}
			fmt.Fprintf(tw, "\t%.2f: %.2f of %d", b.sum/float64(b.n), float64(b.right)/float64(b.n), b.n)
		}
		fmt.Fprintln(tw)
	}
	tw.Flush()
}

func shareAbove(x []float64, limit float64) float64 {
	if len(x) == 0 {
		return 0
	}
	n := 0
	for _, v := range x {
		if v > limit {
			n++
		}
	}
	return float64(n) / float64(len(x))
}

func delay(r rate, p float64) string {
	x := make([]float64, len(r.delay))
	for i, d := range r.delay {
		x[i] = d.Minutes()
	}
	d := time.Duration(quantile(p, x) * float64(time.Minute))
	if d.Abs() > 48*time.Hour {
		return fmt.Sprintf("%.1f d", d.Hours()/24)
	}
	return d.Round(time.Minute).String()
}

func days(d []time.Duration) []float64 {
	x := make([]float64, len(d))
	for i := range d {
		x[i] = d[i].Hours() / 24
	}
	return x
}
