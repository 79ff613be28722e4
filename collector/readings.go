package collector

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"outyard"
	"outyard/collector/senml"
)

// knownNames is what the error about any other name says.
var knownNames = func() string {
	var names []string
	for q := range outyard.NumQuantities {
		names = append(names, q.Info().Name)
	}
	return strings.Join(append(names, outyard.RawWeight), ", ")
}()

// A unitRule brings a value in one SenML unit to the unit of a quantity.
type unitRule struct {
	unit        string // primary, since secondary ones are brought to it first
	times, plus float64
}

// unitsOf are the units that each quantity may come in, and the usual ones of
// them as an error names them.
var unitsOf = [outyard.NumQuantities]struct {
	rules []unitRule
	names string
}{
	outyard.Weight:      {[]unitRule{{"kg", 1, 0}, {"g", 0.001, 0}}, "kg or g"},
	outyard.InsideTemp:  {temperature, "Cel or K"},
	outyard.InsideRH:    {humidity, "%RH"},
	outyard.Battery:     {[]unitRule{{"V", 1, 0}}, "V or mV"},
	outyard.Signal:      {[]unitRule{{"dBW", 1, 30}}, "dBm or dBW"},
	outyard.OutsideTemp: {temperature, "Cel or K"},
	outyard.OutsideRH:   {humidity, "%RH"},
	outyard.Rain:        {[]unitRule{{"m", 1000, 0}}, "mm or m"},
	outyard.Wind:        {[]unitRule{{"m/s", 1, 0}}, "m/s or km/h"},
}

var (
	temperature = []unitRule{{"Cel", 1, 0}, {"K", 1, -273.15}}
	// "/" is a ratio of 0 to 1 (RFC 8428 §12.1). "%" is one too in that
	// registry, which its senders seldom know, so it is refused.
	humidity = []unitRule{{"%RH", 1, 0}, {"/", 100, 0}}
)

// convert brings a value to the quantity's own unit, rounded to what is kept.
func convert(q outyard.Quantity, unit string, v float64) (float64, error) {
	if !outyard.Known(v) {
		return outyard.Unknown, errors.New("value is not a finite number: check the sensor, and leave the record out while it is not known")
	}
	primary, inPrimary := senml.Primary(unit, v)
	for _, rule := range unitsOf[q].rules {
		if rule.unit != primary {
			continue
		}
		v := q.Round(inPrimary*rule.times + rule.plus)
		if in := q.Info(); v < in.Min || v > in.Max {
			return outyard.Unknown, fmt.Errorf("%g %s is outside %g to %g: check unit and sensor", v, in.Unit, in.Min, in.Max)
		}
		return v, nil
	}
	if unit == "" {
		return outyard.Unknown, fmt.Errorf("no unit: want %s", unitsOf[q].names)
	}
	return outyard.Unknown, fmt.Errorf("unit %q: want %s", unit, unitsOf[q].names)
}

// faults gathers what is wrong with the parts of a message.
type faults struct {
	told  []string
	total int
}

// maxTold bounds the reason that is kept with a refused message.
const maxTold = 3

func (f *faults) add(r senml.Record, err error) {
	f.total++
	if len(f.told) < maxTold {
		f.told = append(f.told, fmt.Sprintf("record %d, %s: %v", r.Place, r.Name, err))
	}
}

// err is nil when nothing was wrong.
func (f *faults) err(records int) error {
	if f.total == 0 {
		return nil
	}
	told := strings.Join(f.told, "; ")
	if more := f.total - len(f.told); more > 0 {
		told += fmt.Sprintf("; and %d more faults", more)
	}
	return fmt.Errorf("of %d records: %s", records, told)
}

// readings appends to rs what the records say of a hive or, without one, of a
// yard's weather: one reading for each second that they tell of. Records at
// fault are left out, and the error is about them; the rest is as good as if
// they had not been sent. The records are in order of time.
func readings(rs []outyard.Reading, records []senml.Record, yard outyard.YardID, hive outyard.HiveID, scale *outyard.Scale, arrived time.Time) ([]outyard.Reading, error) {
	var bad faults
	all := len(records)
	for len(records) > 0 {
		r := outyard.NewReading(yard, hive, records[0].Time)
		n := 1
		for n < len(records) && records[n].Time.Round(time.Second).Equal(r.Time) {
			n++
		}
		moment := records[:n]
		records = records[n:]
		raw := -1
		for i, record := range moment {
			if record.Name == outyard.RawWeight {
				if raw >= 0 && record.Value != moment[raw].Value {
					bad.add(record, fmt.Errorf("is there twice for %s: %g and %g", r.Time.Format(time.RFC3339), moment[raw].Value, record.Value))
					continue
				}
				raw = i
				continue
			}
			if err := set(&r, record); err != nil {
				bad.add(record, err)
			}
		}
		if raw >= 0 { // last, since it may need the temperature of its moment
			if err := setRaw(&r, moment[raw], scale); err != nil {
				bad.add(moment[raw], err)
			}
		}
		if r.Empty() {
			continue
		}
		if err := r.Check(arrived); err != nil { // its time: the rest was seen to
			bad.add(moment[0], err)
			continue
		}
		rs = append(rs, r)
	}
	return rs, bad.err(all)
}

func set(r *outyard.Reading, record senml.Record) error {
	q, ok := outyard.ParseQuantity(record.Name)
	if !ok {
		return fmt.Errorf("unknown name: want one of %s", knownNames)
	}
	if record.Kind != senml.Number {
		return fmt.Errorf("holds %s: want a number", record.Kind)
	}
	v, err := convert(q, record.Unit, record.Value)
	if err != nil {
		return err
	}
	return put(r, q, v)
}

func setRaw(r *outyard.Reading, record senml.Record, scale *outyard.Scale) error {
	if record.Kind != senml.Number {
		return fmt.Errorf("holds %s: want a number", record.Kind)
	}
	if record.Unit != "" && record.Unit != "count" {
		return fmt.Errorf("unit %q: want count, or none", record.Unit)
	}
	return calibrate(r, record.Value, scale)
}

// calibrate puts the weight that raw counts stand for. The cell lies under the
// hive, so the air outside is nearer to its temperature than the inside is.
func calibrate(r *outyard.Reading, counts float64, scale *outyard.Scale) error {
	if !outyard.Known(counts) {
		return errors.New("value is not a finite number: check the load cell")
	}
	if r.Hive == "" {
		return errors.New("belongs to a hive, not to the yard's weather")
	}
	if scale == nil {
		return fmt.Errorf("hive %s has no scale in the config: weigh two known loads and add the scale that `outyard calibrate` prints", r.Hive)
	}
	tempC := r.Values[outyard.OutsideTemp]
	if !outyard.Known(tempC) {
		tempC = r.Values[outyard.InsideTemp]
	}
	kg, err := convert(outyard.Weight, "kg", scale.WeightKg(counts, tempC))
	if err != nil {
		return fmt.Errorf("%g counts: %w", counts, err)
	}
	return put(r, outyard.Weight, kg)
}

func put(r *outyard.Reading, q outyard.Quantity, v float64) error {
	if r.Hive == "" && q == outyard.Weight {
		return errors.New("belongs to a hive, not to the yard's weather")
	}
	if was := r.Values[q]; outyard.Known(was) && was != v {
		return fmt.Errorf("%s is there twice for %s: %g and %g %s", q, r.Time.Format(time.RFC3339), was, v, q.Info().Unit)
	}
	r.Values[q] = v
	return nil
}
