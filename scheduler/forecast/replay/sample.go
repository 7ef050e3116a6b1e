package replay

import (
	"math"
	"time"

	"frostgate/rules"
	"frostgate/rules/physics/air"
	"frostgate/rules/physics/sun"
	"frostgate/scheduler/forecast"
)

// Sample is a place in Illinois with an endless cold spell: nights of -9 C, days
// of -1 C, snow in the small hours of every third day. It serves tests.
func Sample() Place {
	const latitude, longitude = 42.0, -88.0
	return Place{
		Name: "Sample", Latitude: latitude, Longitude: longitude, ElevationM: 220,
		Hour: func(at time.Time) forecast.Hour { return sampleHour(at, latitude, longitude) },
	}
}

func sampleHour(at time.Time, latitude, longitude float64) forecast.Hour {
	at = at.UTC().Truncate(time.Hour)
	hour := float64(at.Unix()/3600%24) + longitude/15
	warm := math.Cos(2 * math.Pi * (hour - 15) / 24)
	h := forecast.Hour{Hour: rules.Hour{
		At: at, AirTempC: new(-5 + 4*warm), DewPointC: new(-11.0), WindMS: new(4 + 2*warm), GustMS: new(7 + 3*warm),
		Cloud: new(0.25), PrecipMM: new(0.0), PrecipType: "none", PrecipProb: new(0.1), SnowDepthM: new(0.05),
		AirTempSDC: new(1.2), WindSDMS: new(0.8),
	}}
	if day := at.Unix() / 86400; day%3 == 0 && at.Hour() < 6 {
		h.PrecipMM, h.PrecipType, h.PrecipProb, h.Cloud = new(0.5), "snow", new(0.8), new(1.0)
		h.SnowfallSWEMM, h.SnowfallDepthM = new(0.5), new(0.006)
	} else {
		h.SnowfallSWEMM, h.SnowfallDepthM = new(0.0), new(0.0)
	}
	middle := sun.At(at.Add(30*time.Minute), latitude, longitude)
	h.ShortwaveWm2 = new(sun.CloudyWm2(sun.ClearSkyWm2(middle.CosZenith()), *h.Cloud))
	if middle.ElevationDeg < 0 {
		h.ShortwaveWm2 = new(0.0)
	}
	h.RelHumidity = new(air.RelHumidity(*h.AirTempC, *h.DewPointC))
	h.WindFromDeg, h.SkinTempC = new(310.0), new(-4.0)
	h.SoilTemps = []forecast.SoilTemp{{TopM: 0, BottomM: 0.1, TempC: -1}, {TopM: 0.1, BottomM: 0.4, TempC: 0.5}}
	return h
}
