package influx

import (
	"strconv"

	"outyard"
)

// How a reading lies in the server: a point of the measurement hive, with the
// tags yard and hive, or of weather, with the tag yard; a field for each
// quantity, named as in the readings file.
const (
	ofHive    = "hive"
	ofWeather = "weather"
	yardTag   = "yard"
	hiveTag   = "hive"
)

// appendLine appends a reading in the server's line protocol, with its time in
// seconds. The ids are those of readings that were kept, [a-z0-9-] only, so
// that nothing in them needs escaping.
func appendLine(b []byte, r *outyard.Reading) []byte {
	if r.Hive == "" {
		b = append(b, ofWeather...)
	} else {
		// Tags in order of their names: the server need not sort them.
		b = append(append(b, ofHive+","+hiveTag+"="...), r.Hive...)
	}
	b = append(append(b, ","+yardTag+"="...), r.Yard...)
	before := byte(' ')
	for q, v := range r.Values {
		if !outyard.Known(v) {
			continue
		}
		b = append(append(b, before), outyard.Quantity(q).Info().Column...)
		// Always a float: without i or u behind it, that is what a number is.
		b = strconv.AppendFloat(append(b, '='), v, 'f', -1, 64)
		before = ','
	}
	b = append(b, ' ')
	b = strconv.AppendInt(b, r.Time.Unix(), 10)
	return append(b, '\n')
}
