package metno

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

// An answer is what the service gives for a place.
type answer struct {
	Geometry struct {
		Coordinates []float64 `json:"coordinates"`
	} `json:"geometry"`
	Properties struct {
		Meta struct {
			UpdatedAt *time.Time `json:"updated_at"`
			Units     units      `json:"units"`
		} `json:"meta"`
		Timeseries []entry `json:"timeseries"`
	} `json:"properties"`
}

// An entry is the weather at a time, and of the hours that begin there.
type entry struct {
	Time time.Time `json:"time"`
	Data struct {
		Instant struct {
			Details details `json:"details"`
		} `json:"instant"`
		NextHour *period `json:"next_1_hours"`
		Next6    *period `json:"next_6_hours"`
	} `json:"data"`
}

type period struct {
	Summary struct {
		Symbol string `json:"symbol_code"`
	} `json:"summary"`
	Details details `json:"details"`
}

// details are the values by name. What is no number is left out.
type details map[string]json.RawMessage

// read fills an issue from an answer. Its error is an [*forecast.Error].
func read(body []byte, issue *forecast.Issue) error {
	a, err := parse(body, issue.Cell)
	if err != nil {
		return &forecast.Error{Retry: true, Reason: "unusable answer", Err: err}
	}
	issue.IssuedAt = a.Properties.Meta.UpdatedAt.UTC()
	issue.Hours = hours(a.Properties.Timeseries, a.Properties.Meta.Units)
	if err := issue.Check(); err != nil {
		return err
	}
	issue.Derive()
	issue.Seal(body)
	return nil
}

// mostOffDeg is how far the place of an answer may lie from the one asked for.
const mostOffDeg = 0.05

func parse(body []byte, asked forecast.Cell) (*answer, error) {
	var a answer
	if err := json.Unmarshal(body, &a); err != nil {
		return nil, err
	}
	at := a.Geometry.Coordinates
	switch {
	case a.Properties.Meta.UpdatedAt == nil:
		return nil, errors.New("no time of update")
	case a.Properties.Meta.Units == nil:
		return nil, errors.New("no units")
	case len(at) < 2:
		return nil, errors.New("no coordinates")
	case math.Abs(at[1]-asked.Latitude) > mostOffDeg || math.Abs(math.Remainder(at[0]-asked.Longitude, 360)) > mostOffDeg:
		return nil, fmt.Errorf("weather of %g, %g was given for %g, %g", at[1], at[0], asked.Latitude, asked.Longitude)
	}
	return &a, order(&a.Properties.Timeseries)
}

// order sorts the entries, drops those given twice alike and refuses those given
// twice with different values.
func order(entries *[]entry) error {
	list := *entries
	slices.SortStableFunc(list, func(a, b entry) int { return a.Time.Compare(b.Time) })
	kept := list[:0]
	for _, e := range list {
		if len(kept) == 0 || !kept[len(kept)-1].Time.Equal(e.Time) {
			kept = append(kept, e)
			continue
		}
		one, err1 := json.Marshal(kept[len(kept)-1].Data)
		other, err2 := json.Marshal(e.Data)
		if err1 != nil || err2 != nil || string(one) != string(other) {
			return fmt.Errorf("%s is given twice with different values", e.Time.Format(time.RFC3339))
		}
	}
	*entries = kept
	return nil
}

// longestStep is how far apart two entries may lie to be filled between.
const longestStep = 6 * time.Hour

// hours makes one hour of each entry, and of each hour between two.
func hours(entries []entry, units units) []forecast.Hour {
	var all []forecast.Hour
	for i := range entries {
		e := &entries[i]
		h := e.hour(units)
		all = append(all, h)
		if i+1 == len(entries) {
			break
		}
		if gap := entries[i+1].Time.Sub(e.Time); gap > time.Hour && gap <= longestStep && gap%time.Hour == 0 {
			next := entries[i+1].hour(units)
			all = append(all, e.between(&h, &next, int(gap/time.Hour), units)...)
		}
	}
	return all
}

// hour is an entry's own hour.
func (e *entry) hour(units units) forecast.Hour {
	var h forecast.Hour
	h.At = e.Time.UTC()
	h.Flags.SetAll(forecast.Native)
	d := e.Data.Instant.Details
	get := func(name string, group forecast.Group) *float64 {
		v, bad := d.in(name, units)
		if bad {
			h.Flags.Set(group, forecast.Dropped)
		}
		return v
	}
	h.AirTempC = get("air_temperature", forecast.Temperature)
	h.DewPointC = get("dew_point_temperature", forecast.Temperature)
	h.RelHumidity = get("relative_humidity", forecast.Temperature)
	h.WindMS = get("wind_speed", forecast.Wind)
	h.GustMS = get("wind_speed_of_gust", forecast.Wind)
	h.WindFromDeg = get("wind_from_direction", forecast.Wind)
	h.Cloud = get("cloud_area_fraction", forecast.Sky)
	h.AirTempSDC = deviation(get("air_temperature_percentile_10", forecast.Temperature), get("air_temperature_percentile_90", forecast.Temperature))
	h.WindSDMS = deviation(get("wind_speed_percentile_10", forecast.Wind), get("wind_speed_percentile_90", forecast.Wind))
	if next := e.Data.NextHour; next != nil {
		next.fall(&h, 1, units)
	} else if e.Data.Next6 != nil {
		e.Data.Next6.fall(&h, 6, units)
	}
	return h
}

// deviation is the standard deviation of a normal spread with these tenths.
func deviation(p10, p90 *float64) *float64 {
	const tenths = 2 * 1.2816
	if p10 == nil || p90 == nil || *p90 < *p10 {
		return nil
	}
	return new((*p90 - *p10) / tenths)
}

// fall gives an hour its even share of what falls over some hours.
func (p *period) fall(h *forecast.Hour, hours int, units units) {
	amount, bad1 := p.Details.in("precipitation_amount", units)
	chance, bad2 := p.Details.in("probability_of_precipitation", units)
	if bad1 || bad2 {
		h.Flags.Set(forecast.Precipitation, forecast.Dropped)
	}
	if amount != nil {
		h.PrecipMM = new(*amount / float64(hours))
	}
	if h.PrecipProb = chance; chance != nil {
		h.PrecipProbWindowH = hours
	}
	if hours > 1 {
		h.Flags.Set(forecast.Precipitation, forecast.Spread)
	}
	h.PrecipType = kind(p.Summary.Symbol, amount)
	if h.PrecipType == "snow" && h.PrecipMM != nil {
		h.SnowfallSWEMM = new(*h.PrecipMM)
	}
}

// kind reads what falls out of a symbol, such as lightsnowshowers_night. Where
// it names nothing although something falls, it is not known.
func kind(symbol string, amount *float64) string {
	switch {
	case amount != nil && *amount == 0:
		return "none"
	case strings.Contains(symbol, "sleet"):
		return "sleet"
	case strings.Contains(symbol, "snow"):
		return "snow"
	case strings.Contains(symbol, "rain"):
		return "rain"
	case amount != nil:
		return "unknown"
	}
	return ""
}

// between makes the hours inside a step.
func (e *entry) between(a, b *forecast.Hour, step int, units units) []forecast.Hour {
	var low *float64
	if next := e.Data.Next6; next != nil && step == 6 {
		low, _ = next.Details.in("air_temperature_min", units)
	}
	var filled []forecast.Hour
	for k := 1; k < step; k++ {
		share := float64(k) / float64(step)
		h := forecast.Hour{
			RelHumidity: mix(a.RelHumidity, b.RelHumidity, share),
		}
		h.At = a.At.Add(time.Duration(k) * time.Hour)
		h.AirTempC = dip(a.AirTempC, b.AirTempC, low, share)
		h.DewPointC = mix(a.DewPointC, b.DewPointC, share)
		if h.WindMS = larger(a.WindMS, b.WindMS); h.WindMS != nil {
			h.GustMS, h.WindFromDeg = larger(a.GustMS, b.GustMS), a.WindFromDeg
		}
		h.AirTempSDC, h.WindSDMS = larger(a.AirTempSDC, b.AirTempSDC), larger(a.WindSDMS, b.WindSDMS)
		h.Cloud = mix(a.Cloud, b.Cloud, share)
		if e.Data.NextHour == nil {
			h.PrecipMM, h.PrecipType, h.SnowfallSWEMM = a.PrecipMM, a.PrecipType, a.SnowfallSWEMM
			h.PrecipProb, h.PrecipProbWindowH = a.PrecipProb, a.PrecipProbWindowH
		}
		h.Flags.Set(forecast.Temperature, forecast.Interpolated)
		h.Flags.Set(forecast.Sky, forecast.Interpolated)
		h.Flags.Set(forecast.Wind, forecast.Held)
		h.Flags.Set(forecast.Precipitation, forecast.Spread)
		filled = append(filled, h)
	}
	return filled
}

func mix(a, b *float64, share float64) *float64 {
	if a == nil || b == nil {
		return nil
	}
	return new(*a + share*(*b-*a))
}

func larger(a, b *float64) *float64 {
	if a == nil || b == nil {
		return nil
	}
	return new(math.Max(*a, *b))
}

// dip goes straight from a to b, or through the step's lowest temperature in its
// middle where that lies below both: a straight line would hide a cold night.
// The highest hides nothing that hurts.
func dip(a, b, low *float64, share float64) *float64 {
	if a == nil || b == nil || low == nil || *low >= min(*a, *b) {
		return mix(a, b, share)
	}
	if share < 0.5 {
		return mix(a, low, 2*share)
	}
	return mix(low, b, 2*share-1)
}
