package web

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"outyard"
	"outyard/web/chart"
)

// evidencePx is the width of a picture in a mail: a phone's, held upright, has
// half of it, and a window of mail a little more.
const evidencePx = 600

// evidence says which chart shows a finding, and how much of the time before
// it; none for what no chart shows.
func evidence(k outyard.Kind) (drawing string, before time.Duration) {
	const day = 24 * time.Hour
	switch k {
	case outyard.Swarm, outyard.KnockedOver, outyard.Handling:
		return "weight", 36 * time.Hour
	case outyard.Robbing:
		return "weight", 4 * day
	case outyard.StoresLow, outyard.RoomLow, outyard.Silent, outyard.SensorFault:
		return "weight", 14 * day
	case outyard.Damp:
		return "humidity", 14 * day
	case outyard.MouldRisk:
		return "mould", 28 * day
	case outyard.BroodCold:
		return "temperature", 14 * day
	case outyard.FlowStart, outyard.FlowEnd:
		return "gain", 21 * day
	}
	return "", 0
}

// Evidence draws what a finding was found in, as a PNG for a mail, by the code
// that draws the pages' charts, and says in words what it shows. There is no
// picture of some kinds of finding, and none of a yard but its gain.
func Evidence(ctx context.Context, store Store, yard outyard.Yard, f outyard.Finding, now time.Time) (png []byte, shows string, err error) {
	name, before := evidence(f.Kind)
	if name == "" || f.Hive == "" && name != "gain" {
		return nil, "", nil
	}
	s := &site{Options: Options{Yards: func() []outyard.Yard { return []outyard.Yard{yard} }, Now: func() time.Time { return now }}, store: store, memory: newMemory(nil)}
	p := place{yard, true}
	sp := span{From: f.Onset.Add(-before), To: now, zone: p.zone()}
	if after := f.Onset.Add(before); after.Before(now) {
		sp.To = after // what came long after does not show how it began
	}
	var c chart.Chart
	if f.Hive == "" {
		days, err := s.allDays(ctx, sp.daysQuery(yard.ID, ""))
		if err != nil {
			return nil, "", fmt.Errorf("days of %s: %w", yard.ID, err)
		}
		c = gainChart(p, days, sp, evidencePx)
	} else if c, err = s.chartOf(ctx, name, p, f.Hive, sp, false, evidencePx); err != nil {
		return nil, "", err
	}
	if len(c.Lines)+len(c.Bars) == 0 {
		return nil, "", nil
	}
	var b bytes.Buffer
	if err := c.PNG(&b, evidencePx, chart.Light); err != nil {
		return nil, "", err
	}
	return b.Bytes(), fmt.Sprintf("%s, %s to %s.", c.Title, sp.From.In(sp.zone).Format("2 January"), sp.To.In(sp.zone).Format("2 January")), nil
}
