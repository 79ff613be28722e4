package configs

import (
	_ "embed"
	"strings"
	"time"
	_ "time/tzdata" // zones are known wherever the daemon runs
)

// zoneNames are the places of the tz database, one a line, to say which was
// meant; which are known is up to package time.
//
//go:embed zones.txt
var zoneNames string

// zoneOf loads a zone by the name of a place. Go takes "" for UTC and "Local"
// for wherever the daemon runs; neither is a place.
func zoneOf(name string) (*time.Location, bool) {
	if name == "" || name == "Local" {
		return nil, false
	}
	zone, err := time.LoadLocation(name)
	return zone, err == nil
}

// nearZone says which zone was probably meant, if any: written otherwise, with
// a slip in it, or without its continent.
func nearZone(name string) string {
	name = strings.ReplaceAll(strings.TrimSpace(name), " ", "_")
	zones := strings.Fields(zoneNames)
	for _, zone := range zones {
		if _, city, _ := strings.Cut(zone, "/"); strings.EqualFold(city, name) {
			return zone
		}
	}
	return nearest(name, zones)
}
