package forecast_test

import (
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/local"
	"frostgate/scheduler/forecast/metno"
	"frostgate/scheduler/forecast/nws"
	"frostgate/scheduler/forecast/openmeteo"

	"github.com/stretchr/testify/require"
)

var chicago = forecast.Place{Latitude: 42, Longitude: -88, ElevationM: 220}

// hour is the full hour that fetched lies in.
var hour = fetched.Truncate(time.Hour)

// plain is complete weather of an offer from some hours back to some ahead, all
// with one air temperature.
func plain(airC float64, from, to int) []forecast.Hour {
	var hours []forecast.Hour
	for k := from; k < to; k++ {
		hours = append(hours, forecast.Hour{
			Hour: rules.Hour{
				At: hour.Add(time.Duration(k) * time.Hour), AirTempC: new(airC), DewPointC: new(airC - 4), WindMS: new(3.0), GustMS: new(6.0),
				Cloud: new(0.5), ShortwaveWm2: new(10.0), PrecipMM: new(0.0), PrecipType: "none", PrecipProb: new(0.1),
			},
			RelHumidity: new(0.7), PrecipProbWindowH: 1,
		})
	}
	return hours
}

func offer(source string, ageH int, hours []forecast.Hour) forecast.Offer {
	return forecast.Offer{
		ID: source, Source: source, IssuedAt: fetched.Add(-time.Duration(ageH) * time.Hour), ElevationM: 220,
		StaleAfter: 18 * time.Hour, DeadAfter: 36 * time.Hour, Hours: hours,
	}
}

func blend(offers ...forecast.Offer) forecast.Blend {
	return forecast.BlendOffers(chicago, offers, fetched.Add(-48*time.Hour), fetched)
}

func airAt(t *testing.T, b forecast.Blend, k int) float64 {
	t.Helper()
	return *blendedAt(t, b, k).AirTempC
}

func blendedAt(t *testing.T, b forecast.Blend, k int) forecast.Hour {
	t.Helper()
	for _, h := range b.Hours {
		if h.At.Equal(hour.Add(time.Duration(k) * time.Hour)) {
			return h
		}
	}
	require.Fail(t, "no such hour")
	return forecast.Hour{}
}

// The names of the table are those of the sources.
func TestOrderNamesTheSources(t *testing.T) {
	known := map[string]bool{
		local.Name: true, nws.ForecastName: true, openmeteo.Name: true, openmeteo.EnsembleName: true, metno.Name: true,
	}
	seen := map[string]bool{}
	for _, v := range []forecast.Variable{
		forecast.AirAndHumidity, forecast.WindSpeed, forecast.Gusts, forecast.CloudCover, forecast.Sunlight, forecast.Precip, forecast.SnowOnGround,
		forecast.SoilTemperatures, forecast.StationPressure, forecast.AirSpread, forecast.WindSpread,
	} {
		for _, r := range []forecast.Region{forecast.UnitedStates, forecast.Nordic, forecast.Elsewhere} {
			order := forecast.Order(v, r)
			require.NotEmpty(t, order)
			require.Equal(t, local.Name, order[0], "what the firm puts in goes first")
			for _, name := range order {
				require.True(t, known[name], name)
				seen[name] = true
			}
		}
	}
	require.Len(t, seen, len(known))
	require.Equal(t, nws.ForecastName, forecast.Order(forecast.AirAndHumidity, forecast.UnitedStates)[1])
	require.Equal(t, openmeteo.Name, forecast.Order(forecast.Sunlight, forecast.UnitedStates)[1])
}

func TestRegions(t *testing.T) {
	oslo := forecast.Place{Latitude: 59.9, Longitude: 10.7}
	require.Equal(t, forecast.UnitedStates, forecast.RegionOf(chicago, []string{"open-meteo", "nws"}))
	require.Equal(t, forecast.Elsewhere, forecast.RegionOf(chicago, []string{"open-meteo"}))
	require.Equal(t, forecast.Nordic, forecast.RegionOf(oslo, []string{"open-meteo", "met-norway"}))
	require.Equal(t, forecast.Elsewhere, forecast.RegionOf(forecast.Place{Latitude: 47.4, Longitude: 8.5}, []string{"met-norway"}))
}

func TestEachVariableComesFromItsBestSource(t *testing.T) {
	us := plain(-5, -3, 100)
	for k := range us {
		us[k].ShortwaveWm2 = new(77.0) // derived
		us[k].Flags.Set(forecast.Sky, forecast.Derived)
		if k >= 60 {
			us[k].PrecipMM, us[k].PrecipType, us[k].PrecipProb = nil, "", nil
		}
	}
	columns := plain(-7, -48, 150)
	for k := range columns {
		columns[k].SnowDepthM, columns[k].SkinTempC = new(0.1), new(-2.0)
		columns[k].SoilTemps = []forecast.SoilTemp{{TopM: 0, BottomM: 0.1, TempC: -1}}
		columns[k].PrecipMM = new(0.4)
		columns[k].PrecipType = "snow"
	}
	spread := make([]forecast.Hour, 80)
	for k := range spread {
		spread[k].At, spread[k].AirTempC, spread[k].AirTempSDC = hour.Add(time.Duration(k)*time.Hour), new(-20.0), new(1.7)
	}
	ens := offer("open-meteo-ensemble", 5, spread)
	ens.Partial = true
	b := blend(offer("open-meteo", 4, columns), ens, offer("nws", 2, us))

	require.Equal(t, forecast.UnitedStates, b.Region)
	require.Equal(t, hour.Add(149*time.Hour), b.Reach)
	require.Equal(t, fetched.Add(-2*time.Hour), b.IssuedAt, "of what the coming two days rest on")
	require.False(t, b.Stale)
	require.Len(t, b.Hours, 198)

	h := blendedAt(t, b, 10)
	require.Equal(t, new(-5.0), h.AirTempC)
	require.Equal(t, new(10.0), h.ShortwaveWm2, "the model's own sunlight")
	require.Equal(t, new(0.0), h.PrecipMM)
	require.Equal(t, new(0.1), h.SnowDepthM)
	require.Equal(t, new(-2.0), h.SkinTempC)
	require.Equal(t, new(1.7), h.AirTempSDC)
	require.False(t, h.Flags.Has(forecast.Temperature, forecast.Fallback))

	h = blendedAt(t, b, 60)
	require.Equal(t, new(0.4), h.PrecipMM, "amounts of the first source have ended")
	require.Equal(t, "snow", h.PrecipType)
	require.True(t, h.Flags.Has(forecast.Precipitation, forecast.Fallback))
	require.Equal(t, new(-5.0), h.AirTempC)

	h = blendedAt(t, b, 100)
	require.Equal(t, new(-7.0), h.AirTempC, "where the first source ends the second goes on")
	require.True(t, h.Flags.Has(forecast.Temperature, forecast.Fallback))
	require.Nil(t, h.AirTempSDC, "a spread that ends leaves nothing")
	require.Equal(t, -7.0, airAt(t, b, -20), "history of the source that has it")

	// Each value keeps its source and its time of issue.
	froms := map[forecast.Variable][]string{}
	for _, o := range b.Origins {
		froms[o.Variable] = append(froms[o.Variable], []string{"open-meteo", "open-meteo-ensemble", "nws"}[o.Offer])
	}
	require.Equal(t, []string{"open-meteo", "nws", "open-meteo"}, froms[forecast.AirAndHumidity])
	require.Equal(t, []string{"open-meteo"}, froms[forecast.SnowOnGround])
	require.Equal(t, []string{"open-meteo-ensemble"}, froms[forecast.AirSpread])
}

func TestSeamsAreMarked(t *testing.T) {
	b := blend(offer("nws", 1, plain(-5, 0, 50)), offer("open-meteo", 1, plain(-7, 0, 90)))
	require.True(t, blendedAt(t, b, 50).Flags.Has(forecast.Temperature, forecast.Seam))
	require.False(t, blendedAt(t, b, 51).Flags.Has(forecast.Temperature, forecast.Seam))
	require.False(t, blendedAt(t, b, 49).Flags.Has(forecast.Temperature, forecast.Seam))
}

func TestAgeDecidesBeforeRank(t *testing.T) {
	// The first source is doubtful, the second is not.
	b := blend(offer("nws", 20, plain(-5, -2, 90)), offer("open-meteo", 3, plain(-7, -2, 90)))
	require.Equal(t, -7.0, airAt(t, b, 5))
	require.True(t, blendedAt(t, b, 5).Flags.Has(forecast.Temperature, forecast.Fallback))
	require.False(t, b.Stale)

	// Only doubtful weather is left: used, and said so.
	b = blend(offer("nws", 20, plain(-5, -2, 90)))
	require.Equal(t, -5.0, airAt(t, b, 5))
	require.True(t, b.Stale)
	require.Equal(t, fetched.Add(-20*time.Hour), b.IssuedAt)
	require.True(t, blendedAt(t, b, 5).Flags.Has(forecast.Temperature, forecast.Stale))
	require.False(t, blendedAt(t, b, -2).Flags.Has(forecast.Temperature, forecast.Stale), "what has passed does not age")

	// Beyond the limit nothing is read ahead, whatever the answer looked like.
	b = blend(offer("nws", 37, plain(-5, -2, 90)))
	require.Zero(t, b.Reach)
	require.Zero(t, b.IssuedAt)
	require.Len(t, b.Hours, 2, "what has passed still tells of the ground")
	require.True(t, b.Hours[1].At.Before(hour))
	require.Zero(t, blend().Reach)
}

func TestNewerIssueGoesBeforeOlder(t *testing.T) {
	b := blend(offer("nws", 9, plain(-5, -9, 90)), offer("nws", 2, plain(-6, -2, 80)))
	require.Equal(t, -6.0, airAt(t, b, 5))
	require.Equal(t, -5.0, airAt(t, b, -5))
	require.Equal(t, hour.Add(89*time.Hour), b.Reach)
}

func TestMeasuredHoursGoFirstButNotAhead(t *testing.T) {
	seen := plain(-1, -10, 2)
	for k := range seen {
		seen[k].SnowDepthM = nil
		seen[k].PrecipMM = nil
		seen[k].PrecipType, seen[k].PrecipProb = "", nil
	}
	stations := offer("nws-stations", 0, seen)
	stations.Observed = true
	b := blend(stations, offer("nws", 2, plain(-5, -20, 90)))
	require.Equal(t, -1.0, airAt(t, b, -3))
	require.Equal(t, new(0.0), blendedAt(t, b, -3).PrecipMM, "not measured")
	require.Equal(t, -5.0, airAt(t, b, -15))
	require.Equal(t, -5.0, airAt(t, b, 0), "a report is no forecast")
	require.False(t, blendedAt(t, b, -3).Flags.Has(forecast.Temperature, forecast.Fallback))
	require.Equal(t, fetched.Add(-2*time.Hour), b.IssuedAt)
}

// The standard atmosphere: 6.5 K for 1000 m.
func TestAirIsBroughtToTheHeightOfThePlace(t *testing.T) {
	valley := offer("nws", 1, plain(0, 0, 30))
	valley.ElevationM = 620
	b := blend(valley)
	require.InDelta(t, 2.6, airAt(t, b, 1), 1e-9, "400 m lower")
	h := blendedAt(t, b, 1)
	require.Less(t, *h.DewPointC, *h.AirTempC)
	require.InDelta(t, 0.7, *h.RelHumidity, 1e-9)
	require.True(t, h.Flags.Has(forecast.Temperature, forecast.Derived))
	valley.ElevationM = 269
	require.InDelta(t, 0.0, airAt(t, blend(valley), 1), 1e-9, "not worth it")
}

func TestHalfOfAVariableIsTakenOnlyWhenNobodyHasAll(t *testing.T) {
	dry := plain(-5, 0, 40)
	for k := range dry {
		dry[k].DewPointC, dry[k].RelHumidity = nil, nil
	}
	b := blend(offer("nws", 1, dry), offer("open-meteo", 1, plain(-7, 0, 20)))
	require.Equal(t, -7.0, airAt(t, b, 5), "air and humidity of one source")
	require.Equal(t, hour.Add(19*time.Hour), b.Reach, "without humidity it does not count")
	require.Len(t, b.Hours, 20)
}

func TestGustOfAnotherSourceFitsTheWind(t *testing.T) {
	calm, windy := plain(-5, 0, 20), plain(-5, 0, 20)
	for k := range calm {
		windy[k].WindMS, windy[k].GustMS = new(12.0), nil
		calm[k].GustMS = new(5.0)
	}
	h := blendedAt(t, blend(offer("nws", 1, windy), offer("open-meteo", 1, calm)), 3)
	require.Equal(t, new(12.0), h.WindMS)
	require.Nil(t, h.GustMS)
}

// A firm's order goes first, for the variables that it names; the rest of the
// sources still stand in, and a fallback is one from the firm's own first choice.
func TestOrderThatAFirmSets(t *testing.T) {
	require.Equal(t, []string{"met-norway", "local", "nws", "open-meteo"},
		forecast.Orders{forecast.WindSpeed: {"met-norway"}}.Of(forecast.WindSpeed, forecast.UnitedStates))
	columns, norway := plain(-5, 0, 40), plain(-9, 0, 20)
	for k := range norway {
		norway[k].WindMS = new(4.5)
	}
	place := chicago
	place.Orders = forecast.OrdersOf(map[string][]string{"wind": {"open-meteo"}}, map[string][]string{"wind": {"met-norway", "open-meteo"}})
	b := forecast.BlendOffers(place, []forecast.Offer{offer("open-meteo", 2, columns), offer("met-norway", 2, norway)}, fetched, fetched)
	near, far := blendedAt(t, b, 3), blendedAt(t, b, 30)
	require.InDelta(t, 4.5, *near.WindMS, 0, "the site's word is the last")
	require.InDelta(t, -5, *near.AirTempC, 0, "the usual order for the rest")
	require.False(t, near.Flags.Has(forecast.Wind, forecast.Fallback))
	require.InDelta(t, 3, *far.WindMS, 0)
	require.True(t, far.Flags.Has(forecast.Wind, forecast.Fallback))
	require.Equal(t, hour.Add(39*time.Hour), forecast.Reaches(columns)[forecast.AirAndHumidity])
	require.NotContains(t, forecast.Reaches(columns), forecast.SnowOnGround)
}

func TestUnknownSourceComesLast(t *testing.T) {
	b := blend(offer("almanac", 1, plain(10, 0, 60)), offer("met-norway", 1, plain(-5, 0, 30)))
	require.Equal(t, -5.0, airAt(t, b, 3))
	require.Equal(t, 10.0, airAt(t, b, 40))
}

// Hours of the globe stay without a gap over the days on which clocks change.
func TestBlendAcrossClockChanges(t *testing.T) {
	for _, day := range []time.Time{time.Date(2027, 3, 14, 0, 0, 0, 0, time.UTC), time.Date(2027, 11, 7, 0, 0, 0, 0, time.UTC)} {
		zone, err := time.LoadLocation("America/St_Johns") // half an hour off
		require.NoError(t, err)
		hours := plain(-5, 0, 48)
		for k := range hours {
			hours[k].At = day.Add(time.Duration(k) * time.Hour)
		}
		now := day.Add(20 * time.Minute)
		o := offer("nws", 0, hours)
		o.IssuedAt = now
		b := forecast.BlendOffers(chicago, []forecast.Offer{o}, day.In(zone), now.In(zone))
		require.Len(t, b.Hours, 48)
		for k, h := range b.Hours {
			require.Equal(t, day.Add(time.Duration(k)*time.Hour), h.At)
			require.Equal(t, time.UTC, h.At.Location())
		}
	}
}

func BenchmarkBlend(b *testing.B) {
	offers := []forecast.Offer{offer("nws", 1, plain(-5, -3, 170)), offer("open-meteo", 1, plain(-7, -336, 288)), offer("met-norway", 1, plain(-6, 0, 230))}
	for b.Loop() {
		forecast.BlendOffers(chicago, offers, fetched.Add(-14*24*time.Hour), fetched)
	}
}
