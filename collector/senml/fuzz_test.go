package senml

import (
	"math"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"
	"github.com/google/go-cmp/cmp"
)

// What was accepted is in resolved form, and reads back as itself once it is
// written. CBOR that was accepted is what another decoder of it calls well
// formed.
func FuzzDecode(f *testing.F) {
	f.Add(fourRecords)
	f.Add([]byte(`[{"bn":"a:","bt":-3600,"bu":"kg","bv":40,"bs":1,"n":"w","v":1.25,"s":2,"ut":60},{"n":"x","vs":"\u00e9"},{"n":"y","vb":true},{"n":"z","vd":"aGk"}]`))
	f.Add([]byte("\x82\xa7\x21\x61a\x22\xfb\x41\xd3\x03\xa1\x5b\x00\x10\x62\x23\x61A\x20\x05\x00\x61v\x01\x61V\x02\xf9\x3e\x00\xa2\x00\x61w\x02\xc4\x82\x21\x19\x10\x1d"))
	f.Fuzz(func(t *testing.T, pack []byte) {
		records, err := Decode(pack, arrived)
		if err != nil {
			return // refusing is fine
		}
		if pack[0] >= 0x80 {
			if err := cbor.Wellformed(pack); err != nil {
				t.Fatalf("accepted CBOR that is not well formed: %v", err)
			}
		}
		sayable := true
		for i, r := range records {
			if checkName([]byte(r.Name)) != nil {
				t.Fatalf("accepted the name %q", r.Name)
			}
			if i > 0 && r.Time.Before(records[i-1].Time) {
				t.Fatalf("record of %s stands after one of %s", r.Time, records[i-1].Time)
			}
			finite := func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
			// What EncodeRecords cannot say: see there.
			if !finite(r.Value) || !finite(r.Sum) || r.Time.Before(time.Unix(1<<28, 0)) || r.Time.Unix() >= maxSeconds {
				sayable = false
			}
		}
		if !sayable {
			return
		}
		written := EncodeRecords(records)
		again, err := Decode(written, arrived)
		if err != nil {
			t.Fatalf("what was written does not read back: %v\n%s", err, written)
		}
		if diff := cmp.Diff(records, again, ignoreOrigin); diff != "" {
			t.Fatalf("read back differs (-first +again):\n%s\n%s", diff, written)
		}
	})
}
