package csvfile

import (
	"bytes"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestArrivalsAreWrittenAndReadBack(t *testing.T) {
	at := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	r := outyard.NewReading("heron-point", "h01", at)
	r.Values[outyard.Weight] = 40

	var file bytes.Buffer
	w := NewArrivalWriter(&file)
	require.NoError(t, w.WriteRow(Row{Reading: r, Arrival: at.Add(36 * time.Hour)}))
	require.NoError(t, w.Write(r))
	require.NoError(t, w.Flush())
	require.Equal(t, "time,yard,hive,weight_kg,inside_temp_c,inside_rh_pct,battery_v,signal_dbm,outside_temp_c,outside_rh_pct,rain_mm,wind_ms,arrival\n"+
		"2026-03-01T06:00:00Z,heron-point,h01,40,,,,,,,,,2026-03-02T18:00:00Z\n"+
		"2026-03-01T06:00:00Z,heron-point,h01,40,,,,,,,,,\n", file.String())

	rows, err := NewReader(&file)
	require.NoError(t, err)
	for _, want := range []time.Time{at.Add(36 * time.Hour), at} {
		row, err := rows.Read()
		require.NoError(t, err)
		require.Equal(t, want, row.Arrival)
	}
	_, err = rows.Read()
	require.ErrorIs(t, err, io.EOF)
}
