package slab_test

import (
	"compress/gzip"
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/slab"
	"frostgate/rules/physics/soil"
	"frostgate/rules/physics/sun"

	"github.com/stretchr/testify/require"
)

// stationDay is one day of a station, NaN where nothing was measured.
type stationDay struct {
	minC, maxC, sunMJ, rhPct float64
	soilC                    [3]float64 // mean at 5, 10 and 20 cm
}

type station struct {
	name string
	lat  float64
	days []stationDay
}

var stationDepthsM = [3]float64{.05, .10, .20}

// readStations reads the daily values of 2020 of 29 cold stations of the US Climate
// Reference Network (NOAA, public domain), or skips.
func readStations(t *testing.T) []station {
	t.Helper()
	f, err := os.Open("../../../../shared/data/uscrn_daily_2020_29stations.csv.gz")
	if err != nil {
		t.Skip("no station data beside the project")
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	rows, err := csv.NewReader(z).ReadAll()
	require.NoError(t, err)
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	var stations []station
	for _, row := range rows[1:] {
		num := func(name string) float64 {
			if v, err := strconv.ParseFloat(row[column[name]], 64); err == nil && v > -90 {
				return v
			}
			return math.NaN()
		}
		if name := row[column["station"]]; len(stations) == 0 || stations[len(stations)-1].name != name {
			stations = append(stations, station{name: name, lat: num("latitude")})
		}
		s := &stations[len(stations)-1]
		s.days = append(s.days, stationDay{
			minC: num("t_daily_min"), maxC: num("t_daily_max"), sunMJ: num("solarad_daily"), rhPct: num("rh_daily_avg"),
			soilC: [3]float64{num("soil_temp_5_daily"), num("soil_temp_10_daily"), num("soil_temp_20_daily")},
		})
	}
	return stations
}

// weather rebuilds hours from days: air from the day's extremes by cosines, lowest
// at 6 and highest at 15; dew point from the mean humidity; sunlight by the shape of
// a clear day, cloud from its share of the clearest days around; wind 3 m/s, no
// snow, since neither was measured.
func (s *station) weather(t *testing.T) *slab.Forcing {
	t.Helper()
	days := slices.Clone(s.days)
	last := stationDay{minC: 0, maxC: 5, sunMJ: 5, rhPct: 75}
	clearWm2, share := make([][24]float64, len(days)), make([]float64, len(days))
	for i := range days {
		d := &days[i]
		for _, p := range [][2]*float64{{&d.minC, &last.minC}, {&d.maxC, &last.maxC}, {&d.sunMJ, &last.sunMJ}, {&d.rhPct, &last.rhPct}} {
			if math.IsNaN(*p[0]) {
				*p[0] = *p[1]
			}
		}
		last = *d
		sum := 0.0
		for h := range 24 {
			for q := range 4 {
				clearWm2[i][h] += sun.ClearSkyWm2(sun.SimpleCosZenith(s.lat, i+1, float64(h)+(float64(q)+.5)/4)) / 4
			}
			sum += clearWm2[i][h]
		}
		share[i] = d.sunMJ * 1e6 / (sum * 3600)
	}
	var hours []slab.Hour
	for i, d := range days {
		before, after := days[max(0, i-1)], days[min(len(days)-1, i+1)]
		around := slices.Clone(share[max(0, i-30):min(len(share), i+31)])
		slices.Sort(around)
		clearest := around[len(around)*9/10]
		cloud := math.Pow(min(1, max(0, (1-share[i]/clearest)/.75)), 1/3.4) // Kasten and Czeplak 1980, turned round
		dew := air.DewPointC((d.minC+d.maxC)/2, min(1, d.rhPct/100))
		for h := range 24 {
			x := float64(h)
			wave := func(from, to, share float64) float64 { return from + (to-from)*(1-math.Cos(math.Pi*share))/2 }
			airC := wave(d.minC, d.maxC, (x-6)/9)
			switch {
			case h < 6:
				airC = wave(before.maxC, d.minC, (x+9)/15)
			case h > 15:
				airC = wave(d.maxC, after.minC, (x-15)/15)
			}
			hours = append(hours, slab.Hour{AirTempC: airC, DewPointC: min(dew, airC), WindMS: 3, Cloud: cloud, ShortwaveWm2: clearWm2[i][h] * share[i]})
		}
	}
	f, err := slab.NewForcing(hours)
	require.NoError(t, err)
	return f
}

// year is the undisturbed ground from the station's own air (E35): mean plus 1 C,
// half the swing of the months, coldest on day 28; under turf it swings by the mean
// of turf's n-factors (TM 5-852-4 Table 4-1), 0.65.
func (s *station) year(diffusivity float64) soil.Year {
	sum, n, low, high := 0.0, 0.0, math.Inf(1), math.Inf(-1)
	for month := range slices.Chunk(s.days[:360], 30) {
		m, k := 0.0, 0.0
		for _, d := range month {
			if v := (d.minC + d.maxC) / 2; !math.IsNaN(v) {
				m, k = m+v, k+1
			}
		}
		sum, n = sum+m, n+k
		low, high = min(low, m/k), max(high, m/k)
	}
	turf, _ := soil.NFactorOf("turf")
	return soil.Year{MeanC: sum/n + 1, AmplitudeC: (high - low) / 2, ColdestDay: 28, DiffusivityM2S: diffusivity}.Under(turf)
}

// Soil temperatures under grass at 29 stations, hourly weather rebuilt from daily
// values, from 31 days of spin-up. Two values are fitted for all stations, the
// turf's R (0.30 m2K/W) and its absorptance (0.40); the soil is the product's
// default of silt and clay with 16 % of moisture. Snow was not measured, so that the
// snowy stations come out too cold from January on. Every second station shows that
// the wave the spin-up begins from, which is not fitted, does not suit some by chance:
// each half has to keep the bound alone.
func TestSoilTemperaturesOfStations(t *testing.T) {
	stations := readStations(t)
	silt, _ := soil.MaterialOf("silt_clay")
	layer := silt.At(16)
	detail := slab.Usual
	detail.DepthM = 5
	g, err := slab.NewGround([]slab.Layer{{Material: slab.Soil(layer), ThicknessM: 5}}, detail)
	require.NoError(t, err)
	const spinUp = 31
	type season struct {
		name     string
		from, to int
		rmse     [3][]float64 // by depth, of each station
		bias     []float64    // at 5 cm
		air      []float64    // of ten days' mean air as a forecast of 5 cm
	}
	seasons := []*season{{name: "January to March", from: spinUp, to: 91}, {name: "November and December", from: 305, to: 366}}
	right, judged := 0, 0
	var solver slab.Solver
	for _, s := range stations {
		f := s.weather(t)
		for _, se := range seasons {
			first := se.from - spinUp
			tracks, err := solver.RunGround(slab.GroundRun{
				Ground: g, FromH: float64(first * 24), ToH: float64(se.to*24 - 1), KeepFromH: float64(se.from * 24),
				Lanes: []slab.GroundLane{{
					Forcing: f, Start: g.FromYear(s.year(layer.DiffusivityM2S()), float64(first)),
					Covers: []slab.Cover{{Kind: slab.Turf, ToH: slab.Forever, RM2KW: soil.TurfM2KW}},
				}},
			})
			require.NoError(t, err)
			var square, count [3]float64
			bias, airSquare := 0.0, 0.0
			for day := se.from; day < se.to; day++ {
				var mean [3]float64
				tenDays := 0.0
				for h := range 24 {
					st := tracks[0].StateAt(float64(day*24 + h))
					for k, z := range stationDepthsM {
						mean[k] += st.TempC(z) / 24
					}
				}
				for h := range 240 {
					tenDays += f.AirC(float64((day-9)*24+h)) / 240
				}
				for k, measured := range s.days[day].soilC {
					if math.IsNaN(measured) {
						continue
					}
					square[k] += (mean[k] - measured) * (mean[k] - measured)
					count[k]++
					if k > 0 {
						continue
					}
					bias += mean[0] - measured
					airSquare += (tenDays - measured) * (tenDays - measured)
					if math.Abs(measured) > 1 {
						judged++
						if (measured < 0) == (mean[0] < 0) {
							right++
						}
					}
				}
			}
			for k := range square {
				if count[k] > 20 {
					se.rmse[k] = append(se.rmse[k], math.Sqrt(square[k]/count[k]))
				}
			}
			if count[0] > 20 {
				se.bias = append(se.bias, bias/count[0])
				se.air = append(se.air, math.Sqrt(airSquare/count[0]))
			}
		}
	}
	for _, se := range seasons {
		t.Logf("%s: median RMSE %.2f, %.2f, %.2f C at 5, 10, 20 cm, bias %.2f at 5 cm, worst %.2f, %d stations; ten days' air %.2f",
			se.name, median(se.rmse[0]), median(se.rmse[1]), median(se.rmse[2]), median(se.bias), slices.Max(se.rmse[0]), len(se.rmse[0]), median(se.air))
		require.LessOrEqual(t, median(se.rmse[0]), 1.4, se.name)
		require.LessOrEqual(t, median(se.rmse[1]), 1.4, se.name)
		require.Less(t, median(se.rmse[0]), .75*median(se.air), se.name)
		for half := range 2 {
			require.LessOrEqual(t, median(every(2, half, se.rmse[0])), 1.8, "%s, half %d", se.name, half)
		}
	}
	t.Logf("frozen or not at 5 cm, beyond 1 C: right on %.1f %% of %d days", 100*float64(right)/float64(judged), judged)
	require.GreaterOrEqual(t, float64(right)/float64(judged), .88)
}

// every is each step-th of x from a first one on.
func every(step, first int, x []float64) (some []float64) {
	for i := first; i < len(x); i += step {
		some = append(some, x[i])
	}
	return some
}

func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	return s[len(s)/2]
}
