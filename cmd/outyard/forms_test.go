package main

import (
	"bytes"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/stretchr/testify/require"

	"outyard"
)

var (
	noon    = time.Date(2026, 5, 14, 12, 0, 0, 0, time.UTC)
	finding = outyard.Finding{
		ID: "swarm-heron-point-h01-20260514T1200Z", Kind: outyard.Swarm, Yard: "heron-point", Hive: "h01",
		Onset: noon, ToldAt: noon.Add(10 * time.Minute), Severity: outyard.Now, Confidence: 0.9,
		Summary: "2.4 kg left within ten minutes, \"at noon\".", Advice: []string{"look up", "bring a box"},
		Facts: map[string]any{"change_kg": -2.4, "back_kg": outyard.Unknown}, State: outyard.Open,
	}
	day = outyard.Day{
		Date: outyard.Date{Year: 2026, Month: 5, Day: 14}, Yard: "heron-point", Hive: "h01",
		GainKg: 1.23456, HandledKg: 0, NightLossKg: outyard.Unknown, StoresKg: outyard.Unknown,
		MouldIndex: 0.5, WallRHPct: 71.26, BroodTempC: 34.9, Coverage: 1,
	}
)

func TestFormsOfWhatIsNotKnown(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, dayForm.writeAll("csv", &b, []outyard.Day{day}))
	require.Equal(t, "date,yard,hive,gain_kg,handled_kg,night_loss_kg,stores_kg,mould_index,wall_rh_pct,brood_temp_c,coverage\n"+
		"2026-05-14,heron-point,h01,1.235,0,,,0.5,71.3,34.9,1\n", b.String(), "unknown is empty, never zero")

	b.Reset()
	require.NoError(t, dayForm.writeAll("jsonl", &b, []outyard.Day{day}))
	require.JSONEq(t, `{"date":"2026-05-14","yard":"heron-point","hive":"h01","gain_kg":1.235,"handled_kg":0,
		"mould_index":0.5,"wall_rh_pct":71.3,"brood_temp_c":34.9,"coverage":1}`, b.String())

	b.Reset()
	require.NoError(t, findingForm.writeAll("csv", &b, []outyard.Finding{finding}))
	require.Equal(t, "id,kind,yard,hive,onset,end,told_at,severity,confidence,summary,advice,caution,facts,state\n"+
		`swarm-heron-point-h01-20260514T1200Z,swarm,heron-point,h01,2026-05-14T12:00:00Z,,2026-05-14T12:10:00Z,now,0.9,`+
		`"2.4 kg left within ten minutes, ""at noon"".","[""look up"",""bring a box""]",[],"{""change_kg"":-2.4}",open`+"\n", b.String())

	b.Reset()
	require.NoError(t, findingForm.writeAll("csv", &b, nil))
	require.Equal(t, "id,kind,yard,hive,onset,end,told_at,severity,confidence,summary,advice,caution,facts,state\n", b.String(),
		"nothing found is a header")
}

// TestParquetReadsBack reads with the library's own reader, which knows the
// columns by their names.
func TestParquetReadsBack(t *testing.T) {
	reading := outyard.NewReading("heron-point", "h01", noon)
	reading.Values[outyard.Weight] = 40.123

	rows := readBack(t, readingForm, reading)
	require.Equal(t, noon, rows[0].Time.UTC())
	require.Equal(t, "h01", rows[0].Hive)
	require.InDelta(t, 40.123, *rows[0].WeightKg, 0)
	require.Nil(t, rows[0].InsideTempC, "unknown is null")

	days := readBack(t, dayForm, day)
	require.Equal(t, "2026-05-14", days[0].Date)
	require.Nil(t, days[0].StoresKg)
	require.Zero(t, *days[0].HandledKg)

	findings := readBack(t, findingForm, finding)
	require.Equal(t, []string{"look up", "bring a box"}, findings[0].Advice)
	require.Nil(t, findings[0].End)
	require.JSONEq(t, `{"change_kg":-2.4}`, findings[0].Facts)

	entries := readBack(t, entryForm, outyard.Entry{ID: "e1", Time: noon, Yard: "heron-point", Kind: outyard.Fed, Kg: outyard.Unknown})
	require.Equal(t, "fed", entries[0].Kind)
	require.Nil(t, entries[0].Kg)
}

func readBack[T, P any](t *testing.T, f form[T, P], v T) []P {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, f.writeAll("parquet", &b, []T{v}))
	rows, err := parquet.Read[P](bytes.NewReader(b.Bytes()), int64(b.Len()))
	require.NoError(t, err)
	require.Len(t, rows, 1)
	return rows
}

// TestShow: each way to print keeps what is within a cell apart.
func TestShow(t *testing.T) {
	header := []string{"hive", "note"}
	rows := [][]string{{"h01", "two\nlines, \"quoted\""}, {"größter", ""}}
	for format, want := range map[string]string{
		"table": "HIVE     NOTE\nh01      two lines, \"quoted\"\ngrößter  \n",
		"csv":   "hive,note\nh01,\"two\nlines, \"\"quoted\"\"\"\ngrößter,\n",
		"json":  "[\n  {\"hive\": \"h01\", \"note\": \"two\\nlines, \\\"quoted\\\"\"},\n  {\"hive\": \"größter\", \"note\": \"\"}\n]\n",
	} {
		var b bytes.Buffer
		require.NoError(t, show(&b, &oneOf{word: format}, header, rows))
		require.Equal(t, want, b.String(), format)
	}
	var b bytes.Buffer
	require.NoError(t, show(&b, &oneOf{word: "json"}, header, nil))
	require.Equal(t, "[]\n", b.String())
}
