package rules

import (
	"errors"
	"sync"
	"time"
	_ "time/tzdata" // the zones are the same on every machine
)

var (
	errZone = errors.New("not an IANA time zone")
	zones   sync.Map // name to *time.Location
)

// zoneOf is the location of an IANA zone name. The names that Go reads as the
// zone of the machine are refused.
func zoneOf(name string) (*time.Location, error) {
	if known, ok := zones.Load(name); ok {
		return known.(*time.Location), nil
	}
	if name == "" || name == "Local" {
		return nil, errZone
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, errZone
	}
	zones.Store(name, zone)
	return zone, nil
}
