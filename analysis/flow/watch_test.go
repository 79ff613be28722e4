package flow

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestAPlainFlowIsFoundInTime(t *testing.T) {
	tr := truth{date(time.May, 5), date(time.May, 24), 1.5}
	w := NewWatch(heron, DefaultSettings())
	newSeason(1, 5, tr).run(w, date(time.April, 1), date(time.June, 30), nil)
	flows := w.Flows()
	require.Len(t, flows, 1)
	require.InDelta(t, 0, flows[0].Start.Sub(tr.from), 3)
	require.InDelta(t, 0, flows[0].End.Sub(tr.to), 3)
	require.LessOrEqual(t, flows[0].Told.Sub(tr.from), 3)
	found := w.Findings()
	require.Len(t, found, 2)
	require.Equal(t, outyard.FlowStart, found[0].Kind)
	require.Equal(t, outyard.FlowEnd, found[1].Kind)
}
