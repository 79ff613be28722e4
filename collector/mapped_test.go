package collector

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector/mapping"
)

// scales maps "scales/YARD/HIVE" with a weight in kg, or counts, and the
// seconds since it was measured left to the arrival.
func scales(t *testing.T) *mapping.Set {
	t.Helper()
	at := func(path string) outyard.Spot { return outyard.Spot{Field: path} }
	set, err := mapping.NewSet([]outyard.Mapping{{
		Name: "flat-json", Filter: "scales/#", Yard: outyard.Origin{Level: 2}, Hive: outyard.Origin{Level: 3},
		Time: outyard.MappedTime{Spot: at("t"), Format: outyard.UnixTime, Optional: true},
		Values: []outyard.MappedValue{
			{Quantity: outyard.Weight, Spot: at("w"), Unit: "kg", Scale: 1, Optional: true},
			{Quantity: outyard.Weight, Raw: true, Spot: at("n"), Scale: 1, Optional: true},
		}}, {
		Name: "greedy", Filter: "yards/#", Yard: outyard.Origin{Level: 2}, Hive: outyard.Origin{Fixed: "h01"},
		Values: []outyard.MappedValue{{Quantity: outyard.Weight, Spot: at("w"), Unit: "kg", Scale: 1}},
	}})
	require.NoError(t, err)
	return set
}

func TestMappedMessages(t *testing.T) {
	in := New(nil, places, Options{Mappings: scales(t)}, func() time.Time { return atSix }, nil, nil)
	cases := []struct {
		name, topic, payload string
		weightKg             float64 // unknown: refused
		unplaced             bool
		reason               string
	}{
		{"a mapped message is kept", "scales/heron-point/h01", `{"w":41.25}`, 41.25, false, ""},
		{"counts go through the hive's scale", "scales/heron-point/h02", `{"n":41000}`, 41, false, ""},
		{"counts of a hive without a scale are refused", "scales/heron-point/h01", `{"n":41000}`, outyard.Unknown, false, `mapping "flat-json": weight-raw: hive h01 has no scale`},
		{"weight and counts that contradict each other are refused", "scales/heron-point/h02", `{"w":30,"n":41000}`, outyard.Unknown, false, "there twice"},
		{"a value that no hive has is refused", "scales/heron-point/h01", `{"w":41250}`, outyard.Unknown, false, `mapping "flat-json": weight of 41250 kg`},
		{"a clock far ahead is refused", "scales/heron-point/h01", `{"w":41,"t":1772345500}`, outyard.Unknown, false, `mapping "flat-json": time 2026-03-01T06:11:40Z is 11m40s ahead of now`},
		{"a clock that was never set is refused", "scales/heron-point/h01", `{"w":41,"t":60}`, outyard.Unknown, false, "before 2000"},
		{"a message without what its mapping wants is refused", "scales/heron-point/h01", `{}`, outyard.Unknown, false, `mapping "flat-json": holds none`},
		{"a hive that is not in the config has no place", "scales/heron-point/h09", `{"w":41}`, outyard.Unknown, true, "hive h09 is not in the config"},
		{"a topic of no mapping is refused, and says so", "scale/heron-point/h01", `{"w":41}`, outyard.Unknown, false, "want yards/YARD/hives/HIVE or yards/YARD/weather, and no mapping is for it"},
		{"the topics of SenML stay its own", topicH01, `[{"n":"weight","u":"kg","v":40}]`, 40, false, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			rs, refused := in.Read(Message{Topic: c.topic, Payload: []byte(c.payload), Arrived: atSix})
			if c.reason == "" {
				require.Nil(t, refused)
				require.Len(t, rs, 1)
				require.InDelta(t, c.weightKg, rs[0].Values[outyard.Weight], 0)
				return
			}
			require.Empty(t, rs)
			require.Contains(t, refused.Reason, c.reason)
			require.Equal(t, c.unplaced, refused.Unplaced)
			require.Equal(t, c.payload, string(refused.Payload))
		})
	}
}

// An old reading must not be taken for a new one.
func TestARetainedMessageWithoutATimeIsRefused(t *testing.T) {
	in := New(nil, places, Options{Mappings: scales(t)}, func() time.Time { return atSix }, nil, nil)
	rs, refused := in.Read(Message{Topic: "scales/heron-point/h01", Payload: []byte(`{"w":41}`), Arrived: atSix, Retained: true})
	require.Empty(t, rs)
	require.Contains(t, refused.Reason, `mapping "flat-json": a broker retained the message`)
	require.True(t, refused.Retained, "for when it is tried again")
	rs, refused = in.Read(Message{Topic: "scales/heron-point/h01", Payload: []byte(`{"w":41,"t":1772344000}`), Arrived: atSix, Retained: true})
	require.Nil(t, refused)
	require.Len(t, rs, 1)

	for _, pack := range []string{
		`[{"n":"weight","u":"kg","v":41}]`, `[{"n":"weight","u":"kg","v":41,"t":-60}]`,
		`[{"n":"weight","u":"kg","v":41},{"n":"inside-temp","u":"Cel","v":34,"t":1772344000}]`,
	} {
		rs, refused = in.Read(Message{Topic: topicH01, Payload: []byte(pack), Arrived: atSix, Retained: true})
		require.Empty(t, rs, pack)
		require.Contains(t, refused.Reason, "a broker retained the message", pack)
		rs, refused = in.Read(Message{Topic: topicH01, Payload: []byte(pack), Arrived: atSix})
		require.Nil(t, refused, "the same as it was first sent")
		require.NotEmpty(t, rs)
	}
	rs, refused = in.Read(Message{Topic: topicH01, Payload: []byte(`[{"n":"weight","u":"kg","v":41,"t":1772344000}]`), Arrived: atSix, Retained: true})
	require.Nil(t, refused, "its own time tells it from a new one")
	require.Len(t, rs, 1)
}

// What was refused for its unknown age does not become a reading of today by
// being tried again.
func TestARetainedMessageThatIsTriedAgainIsStillRefused(t *testing.T) {
	in := New(&heldStore{}, places, Options{}, func() time.Time { return atSix }, nil, nil)
	kept, still, err := in.Retry(t.Context(), []outyard.Refused{{ID: 7, Topic: topicH01, Payload: []byte(weighed(0)), Arrived: atSix},
		{ID: 8, Topic: topicH01, Payload: []byte(`[{"n":"weight","u":"kg","v":41}]`), Arrived: atSix, Retained: true}})
	require.NoError(t, err)
	require.Equal(t, []int64{7}, kept)
	require.Len(t, still, 1)
	require.EqualValues(t, 8, still[0].ID)
}

func TestRefusedMessagesAreKeptOnceTheirCauseIsMended(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var heard []outyard.Reading
		pass(24 * time.Hour)
		came := time.Now()
		pass(time.Hour)
		store := &heldStore{}
		in := New(store, places, Options{Mappings: scales(t), BatchReadings: 1,
			Kept: func(fresh []outyard.Reading, _ time.Time) { heard = append(heard, fresh...) }}, time.Now, nil, nil)
		messages := []outyard.Refused{
			{ID: 3, Topic: "scales/heron-point/h01", Payload: []byte(`{"w":41}`), Arrived: came, Reason: "once"},
			{ID: 5, Topic: "scales/heron-point/h01", Payload: []byte(`nonsense`), Arrived: came, Reason: "once"},
			{ID: 6, Topic: topicH01, Payload: []byte(`[{"n":"weight","u":"kg","t":-60,"v":40},{"n":"mass","v":1}]`), Arrived: came},
			{ID: 9, Topic: topicH01, Payload: []byte(`[{"n":"weight","u":"kg","t":-120,"v":40}]`), Arrived: came},
		}
		kept, still, err := in.Retry(t.Context(), messages)
		require.NoError(t, err)
		require.Equal(t, []int64{3, 9}, kept)
		require.Len(t, still, 2)
		require.EqualValues(t, 5, still[0].ID)
		require.Contains(t, still[0].Reason, "message is no JSON", "the reason of today")
		require.EqualValues(t, 6, still[1].ID, "what can be read of it is kept, and it stays")
		require.Len(t, heard, 3)
		require.Equal(t, came.UTC(), heard[0].Time, "the time at which it arrived first")

		store.fail(errors.New("disk is full"))
		kept, _, err = in.Retry(t.Context(), messages)
		require.ErrorContains(t, err, "disk is full")
		require.Empty(t, kept)
	})
}
