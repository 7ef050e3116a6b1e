package demo

import (
	"hash/fnv"
	"math"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/replay"
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

// Place is the sky as the replayed weather services serve it.
func (s Sky) Place(elevationM float64) replay.Place {
	return replay.Place{Name: s.Name, Latitude: s.Latitude, Longitude: s.Longitude, ElevationM: elevationM, Hour: s.Hour}
}

// Hour tells the weather of the hour that begins at a time.
func (s Sky) Hour(at time.Time) forecast.Hour {
	day := s.day(at)
	hour := solarHour(at, s.Longitude)
	air := day.MeanC + day.SwingC*math.Cos(2*math.Pi*(hour-15)/24) + 0.4*s.noise(at, "air")
	dew := math.Min(day.MeanC-day.SwingC-day.DryC, air-0.3)
	wind := math.Max(0.3, day.WindMS*(1+0.25*math.Cos(2*math.Pi*(hour-14)/24)+0.15*s.noise(at, "wind")))
	gust := 1.7 * wind
	cloud := min(1, max(0, day.Cloud+0.1*s.noise(at, "cloud")))
	sun := s.meanSun(at, day.Cloud)
	rain, chance, kind := 0.0, 0.02, "none"
	middle := s.days(at.Add(30 * time.Minute))
	for _, fall := range s.Falls {
		if middle >= fall.From && middle < fall.To {
			rain, chance, kind, cloud = fall.MMPerH, 0.85, "rain", 1
			if fall.Snow {
				kind = "snow"
			}
		}
	}
	return forecast.Hour{Hour: rules.Hour{
		At: at, AirTempC: &air, DewPointC: &dew, WindMS: &wind, GustMS: &gust, Cloud: &cloud, ShortwaveWm2: &sun,
		PrecipMM: &rain, PrecipType: kind, PrecipProb: &chance, SnowDepthM: &day.SnowM,
	}, PrecipProbWindowH: 1}
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
