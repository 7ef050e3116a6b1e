package forecast

import (
	"time"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/sun"
)

// sunParts are the steps over which an hour's mean sunlight is taken.
const sunParts = 4

// Derive fills what a source leaves out and other members tell: humidity from
// the dew point or the other way round, and sunlight from cloud. What it fills
// carries the flag Derived.
func (i *Issue) Derive() {
	for k := range i.Hours {
		i.Hours[k].deriveHumidity()
		i.Hours[k].deriveSunlight(i.Cell.Latitude, i.Cell.Longitude)
	}
}

// lowestDewC is the bottom of the range table.
const lowestDewC = -90

// deriveHumidity goes between humidity and dew point by Magnus over water, as
// stations report both.
func (h *Hour) deriveHumidity() {
	switch {
	case h.AirTempC == nil || (h.DewPointC == nil) == (h.RelHumidity == nil):
		return
	case h.DewPointC == nil:
		dew := air.DewPointC(*h.AirTempC, *h.RelHumidity)
		if dew < lowestDewC {
			return
		}
		h.DewPointC = &dew
	default:
		h.RelHumidity = new(air.RelHumidity(*h.AirTempC, *h.DewPointC))
	}
	h.Flags.Set(Temperature, Derived)
}

// deriveSunlight takes the mean over the hour of a clear sky's sunlight through
// the cloud.
func (h *Hour) deriveSunlight(latitude, longitude float64) {
	if h.ShortwaveWm2 != nil || h.Cloud == nil {
		return
	}
	var sum float64
	for part := range sunParts {
		mid := h.At.Add(time.Duration(2*part+1) * time.Hour / (2 * sunParts))
		sum += sun.CloudyWm2(sun.ClearSkyWm2(sun.At(mid, latitude, longitude).CosZenith()), *h.Cloud)
	}
	h.ShortwaveWm2 = new(sum / sunParts)
	h.Flags.Set(Sky, Derived)
}
