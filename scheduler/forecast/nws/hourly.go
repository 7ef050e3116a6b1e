package nws

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

// A period is one hour of the hourly forecast. Temperature and wind are text and
// whole numbers, or quantities where the service has switched over.
type period struct {
	StartTime       time.Time       `json:"startTime"`
	EndTime         time.Time       `json:"endTime"`
	Temperature     json.RawMessage `json:"temperature"`
	TemperatureUnit string          `json:"temperatureUnit"`
	Dewpoint        json.RawMessage `json:"dewpoint"`
	Humidity        json.RawMessage `json:"relativeHumidity"`
	WindSpeed       json.RawMessage `json:"windSpeed"`
	WindDirection   json.RawMessage `json:"windDirection"`
	PrecipProb      json.RawMessage `json:"probabilityOfPrecipitation"`
}

// readHourly fills an issue from the hourly forecast. All of it carries the flag
// Fallback. Its error is an [*forecast.Error].
func readHourly(body []byte, issue *forecast.Issue) error {
	var answer struct {
		Geometry   json.RawMessage `json:"geometry"`
		Properties struct {
			UpdateTime json.RawMessage `json:"updateTime"`
			Elevation  json.RawMessage `json:"elevation"`
			Periods    []period        `json:"periods"`
		} `json:"properties"`
	}
	err := json.Unmarshal(body, &answer)
	if err == nil {
		issue.IssuedAt, err = readTime(answer.Properties.UpdateTime)
	}
	if err != nil {
		return unusable("hourly forecast", err)
	}
	if !holds(answer.Geometry, issue.Cell.Latitude, issue.Cell.Longitude) {
		return &forecast.Error{Reason: "grid moved", Err: forecast.ErrMoved}
	}
	issue.Cell.ElevationM = elevation(answer.Properties.Elevation, issue.Cell.ElevationM)
	for i := range answer.Properties.Periods {
		h, err := answer.Properties.Periods[i].hour()
		if err != nil {
			return unusable("hourly forecast", err)
		}
		issue.Hours = append(issue.Hours, h)
	}
	return finish(body, issue)
}

func (p *period) hour() (forecast.Hour, error) {
	var h forecast.Hour
	if h.At = p.StartTime.UTC(); p.EndTime.Sub(p.StartTime) != time.Hour {
		return h, fmt.Errorf("the period from %s is not an hour", h.At.Format(time.RFC3339))
	}
	h.Flags.SetAll(forecast.Native)
	h.Flags.SetAll(forecast.Fallback)
	h.AirTempC = p.temperature()
	h.DewPointC = readQuantity(p.Dewpoint, temperatures)
	h.RelHumidity = readQuantity(p.Humidity, shares)
	h.WindMS = readWind(p.WindSpeed)
	h.WindFromDeg = readDirection(p.WindDirection)
	if h.PrecipProb = readQuantity(p.PrecipProb, shares); h.PrecipProb != nil {
		h.PrecipProbWindowH = nativeWindowH
	}
	return h, nil
}

func readQuantity(text json.RawMessage, units units) *float64 {
	var q quantity
	if len(text) == 0 || json.Unmarshal(text, &q) != nil {
		return nil
	}
	return q.in(units)
}

func (p *period) temperature() *float64 {
	v := number(p.Temperature)
	convert, ok := temperatures["deg"+p.TemperatureUnit]
	if v == nil || !ok {
		return readQuantity(p.Temperature, temperatures)
	}
	return new(convert(*v))
}

// readWind reads wind as text or as a quantity.
func readWind(text json.RawMessage) *float64 {
	var words string
	if len(text) == 0 || json.Unmarshal(text, &words) != nil {
		return readQuantity(text, speeds)
	}
	v, err := parseWind(words)
	if err != nil {
		return nil
	}
	return &v
}

var windUnits = units{"mph": times(0.44704), "km/h": times(1 / 3.6), "kt": times(1852.0 / 3600), "m/s": times(1)}

// parseWind reads "4 km/h" or "6 to 10 mph" in m/s: the larger number counts.
func parseWind(text string) (float64, error) {
	words := strings.Fields(text)
	if len(words) != 2 && (len(words) != 4 || words[1] != "to") {
		return 0, errors.New("no wind speed")
	}
	convert, ok := windUnits[words[len(words)-1]]
	if !ok {
		return 0, errors.New("no unit of wind speed")
	}
	var fastest float64
	for i := 0; i < len(words); i += 2 {
		v := number(json.RawMessage(words[i]))
		if v == nil || *v < 0 {
			return 0, errors.New("no wind speed")
		}
		fastest = max(fastest, *v)
		if len(words) == 2 {
			break
		}
	}
	return convert(fastest), nil
}

var compass = []string{"N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"}

func readDirection(text json.RawMessage) *float64 {
	var letters string
	if len(text) == 0 || json.Unmarshal(text, &letters) != nil {
		return readQuantity(text, angles)
	}
	for i, name := range compass {
		if name == letters {
			return new(float64(i) * 22.5)
		}
	}
	return nil
}
