package nws

import (
	"encoding/json"
	"slices"
	"time"

	"frostgate/scheduler/forecast"
)

// An observation is one report of a station.
type observation struct {
	Timestamp   time.Time       `json:"timestamp"`
	Elevation   json.RawMessage `json:"elevation"`
	Temperature quantity        `json:"temperature"`
	Dewpoint    quantity        `json:"dewpoint"`
	Humidity    quantity        `json:"relativeHumidity"`
	WindSpeed   quantity        `json:"windSpeed"`
	WindGust    quantity        `json:"windGust"`
	WindFrom    quantity        `json:"windDirection"`
	PrecipHour  quantity        `json:"precipitationLastHour"`
	CloudLayers []struct {
		Amount string `json:"amount"`
	} `json:"cloudLayers"`
}

// passed are the marks of quality control that a value is used with: verified,
// coarsely passed, screened, and good by judgement (MADIS). Without control,
// questioned, rejected and bad are left out.
var passed = map[string]bool{"V": true, "C": true, "S": true, "G": true}

func (q quantity) checked(units units) *float64 {
	if !passed[q.QualityControl] {
		return nil
	}
	return q.in(units)
}

// readObservations fills an issue with the hours around which a station
// observed. A report that can't be read is left out, like one from the future.
// Its error is an [*forecast.Error]; without a fresh temperature its cause is
// errNothingFresh.
func readObservations(body []byte, issue *forecast.Issue) error {
	var answer struct {
		Features []struct {
			Properties json.RawMessage `json:"properties"`
		} `json:"features"`
	}
	if err := json.Unmarshal(body, &answer); err != nil {
		return unusable("observations", err)
	}
	var reports []observation
	for _, f := range answer.Features {
		var o observation
		if len(f.Properties) == 0 || json.Unmarshal(f.Properties, &o) != nil || o.Timestamp.IsZero() {
			continue
		}
		if o.Timestamp.After(issue.FetchedAt.Add(observedAheadOK)) || o.Temperature.checked(temperatures) == nil {
			continue
		}
		reports = append(reports, o)
	}
	slices.SortStableFunc(reports, func(a, b observation) int { return a.Timestamp.Compare(b.Timestamp) })
	if len(reports) == 0 || issue.FetchedAt.Sub(reports[len(reports)-1].Timestamp) > freshFor {
		return &forecast.Error{Retry: true, Reason: "no observation", Err: errNothingFresh}
	}
	newest := &reports[len(reports)-1]
	issue.IssuedAt = newest.Timestamp.UTC()
	issue.Cell.ElevationM = elevation(newest.Elevation, issue.Cell.ElevationM)
	issue.Hours = observedHours(reports)
	return finish(body, issue)
}

// observedHours takes for each hour the report nearest to its beginning.
func observedHours(reports []observation) []forecast.Hour {
	var hours []forecast.Hour
	var off time.Duration // of the last hour's report
	for i := range reports {
		o := &reports[i]
		at := o.Timestamp.UTC().Add(nearestMoment).Truncate(time.Hour)
		away := o.Timestamp.Sub(at).Abs()
		switch n := len(hours); {
		case n == 0 || hours[n-1].At.Before(at):
			hours = append(hours, o.hour(at))
		case away < off:
			hours[n-1] = o.hour(at)
		default:
			continue
		}
		off = away
	}
	for i := range reports {
		reports[i].addPrecip(hours)
	}
	return hours
}

func (o *observation) hour(at time.Time) forecast.Hour {
	h := forecast.Hour{
		RelHumidity: o.Humidity.checked(shares),
		WindFromDeg: o.WindFrom.checked(angles),
	}
	h.At = at
	h.Flags.SetAll(forecast.Native)
	h.AirTempC = o.Temperature.checked(temperatures)
	h.DewPointC = o.Dewpoint.checked(temperatures)
	h.WindMS = o.WindSpeed.checked(speeds)
	h.GustMS = o.WindGust.checked(speeds)
	if h.Cloud = o.cloud(); h.Cloud != nil {
		h.Flags.Set(forecast.Sky, forecast.Derived)
	}
	return h
}

// covered is the share of the sky behind an amount of cloud, from its oktas.
var covered = map[string]float64{"SKC": 0, "CLR": 0, "NCD": 0, "FEW": 1.5 / 8, "SCT": 3.5 / 8, "BKN": 6.0 / 8, "OVC": 1, "VV": 1}

// cloud is that of the layer that covers most; nil without a layer, which is not
// a clear sky.
func (o *observation) cloud() *float64 {
	var most *float64
	for _, l := range o.CloudLayers {
		if c, ok := covered[l.Amount]; ok && (most == nil || c > *most) {
			most = new(c)
		}
	}
	return most
}

// nearFullHour is how close to a full hour a report's last hour has to end.
const nearFullHour = 10 * time.Minute

// addPrecip books the amount of a report's last hour on the hour that ended.
func (o *observation) addPrecip(hours []forecast.Hour) {
	mm := o.PrecipHour.checked(millimetres)
	end := o.Timestamp.UTC().Add(nearestMoment).Truncate(time.Hour)
	if mm == nil || o.Timestamp.Sub(end).Abs() > nearFullHour {
		return
	}
	begin := end.Add(-time.Hour)
	at, found := slices.BinarySearchFunc(hours, begin, func(h forecast.Hour, t time.Time) int { return h.At.Compare(t) })
	if !found {
		return
	}
	hours[at].PrecipMM = mm
	if *mm == 0 {
		hours[at].PrecipType = "none"
	}
}
