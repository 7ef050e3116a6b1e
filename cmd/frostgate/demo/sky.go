package demo

import (
	"hash/fnv"
	"math"
	"time"
)

// A Sky is the invented weather of one place: a winter of its own, the same for the same hour whenever it is asked,
// whatever the real season. Its course is laid out in days from Anchor.
type Sky struct {
	Name      string
	Latitude  float64 // degrees north
	Longitude float64 // degrees east
	Anchor    time.Time
	Course    []Day
	Falls     []Fall
}

// A Day is a point of the course; between points the weather goes over smoothly, beyond them it stays.
type Day struct {
	At     float64 // days from the anchor; negative for the past
	MeanC  float64 // mean air temperature
	SwingC float64 // half of the daily range
	Cloud  float64 // 0 to 1
	WindMS float64 // mean at 10 m
	DryC   float64 // from the day's lowest temperature down to the dew point
	SnowM  float64 // depth of snow on the ground
}

// A Fall is a spell of rain or snow.
type Fall struct {
	From, To float64 // days from the anchor
	MMPerH   float64 // liquid equivalent
	Snow     bool
}

// Conditions are the weather of a moment. Rain, snow, gust and sun stand for the hour that ends there, as the
// service tells them.
type Conditions struct {
	AirTempC, DewPointC      float64
	WindMS, GustMS           float64
	Cloud                    float64
	ShortwaveWm2             float64
	PrecipMM, SnowfallCM     float64
	SnowDepthM               float64
	PrecipProb               float64
	GroundSurfaceC, Ground6C float64 // at the surface and 6 cm down
	Ground18C                float64
	Code                     int // WMO code table 4677, as the service uses it
}

// At tells the conditions of an hour.
func (s Sky) At(t time.Time) Conditions {
	day := s.day(t)
	hour := solarHour(t, s.Longitude)
	air := day.MeanC + day.SwingC*math.Cos(2*math.Pi*(hour-15)/24) + 0.4*s.noise(t, "air")
	dew := math.Min(day.MeanC-day.SwingC-day.DryC, air-0.3)
	wind := math.Max(0.3, day.WindMS*(1+0.25*math.Cos(2*math.Pi*(hour-14)/24)+0.15*s.noise(t, "wind")))
	c := Conditions{
		AirTempC: air, DewPointC: dew,
		WindMS: wind, GustMS: 1.7 * wind,
		Cloud:        min(1, max(0, day.Cloud+0.1*s.noise(t, "cloud"))),
		ShortwaveWm2: s.meanSun(t.Add(-time.Hour), day.Cloud),
		SnowDepthM:   day.SnowM,
		PrecipProb:   0.02,
		// Damped and late, as the ground is.
		GroundSurfaceC: day.MeanC + 0.6*day.SwingC*math.Cos(2*math.Pi*(hour-16)/24),
		Ground6C:       day.MeanC + 0.3*day.SwingC*math.Cos(2*math.Pi*(hour-18)/24),
		Ground18C:      day.MeanC + 1 + 0.1*day.SwingC*math.Cos(2*math.Pi*(hour-22)/24),
		Code:           3,
	}
	if day.Cloud < 0.3 {
		c.Code = 1
	}
	s.letFall(&c, t)
	return c
}

func (s Sky) letFall(c *Conditions, t time.Time) {
	middle := s.days(t.Add(-30 * time.Minute))
	for _, fall := range s.Falls {
		if middle < fall.From || middle >= fall.To {
			continue
		}
		c.PrecipMM, c.PrecipProb, c.Cloud, c.Code = fall.MMPerH, 0.85, 1, 61
		if fall.Snow {
			c.SnowfallCM, c.Code = 0.7*fall.MMPerH, 73
		}
	}
}

func (s Sky) days(t time.Time) float64 { return t.Sub(s.Anchor).Hours() / 24 }

// day interpolates the course, with a level start and end of each stretch.
func (s Sky) day(t time.Time) Day {
	at := s.days(t)
	before := s.Course[0]
	for _, after := range s.Course[1:] {
		if at < after.At {
			share := max(0, (at-before.At)/(after.At-before.At))
			share = share * share * (3 - 2*share)
			mix := func(a, b float64) float64 { return a + share*(b-a) }
			return Day{
				At: at, MeanC: mix(before.MeanC, after.MeanC), SwingC: mix(before.SwingC, after.SwingC),
				Cloud: mix(before.Cloud, after.Cloud), WindMS: mix(before.WindMS, after.WindMS),
				DryC: mix(before.DryC, after.DryC), SnowM: mix(before.SnowM, after.SnowM),
			}
		}
		before = after
	}
	return before
}

// winterDeclination keeps the sun where it stands in the second half of January.
const winterDeclination = -20 * math.Pi / 180

// meanSun is the mean shortwave on level ground over the hour from t: Kasten and Czeplak (1980), clear sky
// 910 sin h - 30 W/m2, under cloud times 1 - 0.75 N^3.4.
func (s Sky) meanSun(t time.Time, cloud float64) float64 {
	const parts = 4
	lat, sum := s.Latitude*math.Pi/180, 0.0
	for i := range parts {
		at := t.Add(time.Duration(2*i+1) * time.Hour / (2 * parts))
		angle := (solarHour(at, s.Longitude) - 12) * math.Pi / 12
		height := math.Sin(lat)*math.Sin(winterDeclination) + math.Cos(lat)*math.Cos(winterDeclination)*math.Cos(angle)
		sum += max(0, 910*height-30)
	}
	return sum / parts * (1 - 0.75*math.Pow(cloud, 3.4))
}

// solarHour is the mean solar time at a longitude, 0 to 24.
func solarHour(t time.Time, longitude float64) float64 {
	hour := float64(t.UTC().Hour()) + float64(t.Minute())/60 + longitude/15
	return math.Mod(hour+24, 24)
}

// noise is a fixed number from -1 to 1 for one place, hour and purpose.
func (s Sky) noise(t time.Time, purpose string) float64 {
	h := fnv.New64a()
	h.Write([]byte(s.Name + purpose + t.UTC().Truncate(time.Hour).Format(time.RFC3339)))
	return float64(h.Sum64()%2001)/1000 - 1
}
