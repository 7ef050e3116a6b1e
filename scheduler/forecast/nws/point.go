package nws

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"path"
	"regexp"
	"strconv"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

// A point is what the service says of a place.
type point struct {
	grid    string   // key of the grid cell, such as LOT/65,76
	zones   []string // forecast zone and county, such as ILZ103 and ILC031
	askedAt time.Time
}

// point resolves a place, or remembers it.
func (s *Service) point(ctx context.Context, latitude, longitude float64) (point, error) {
	place := coordinate(latitude) + "," + coordinate(longitude)
	now := s.cfg.Now()
	s.mu.Lock()
	known, ok := s.points[place]
	s.mu.Unlock()
	if ok && now.Sub(known.askedAt).Abs() < pointLasts {
		return known, nil
	}
	answer, err := s.get(ctx, "/points/"+place, pointCap, "")
	if err != nil {
		if status(err) == http.StatusNotFound {
			return point{}, outside(err)
		}
		return point{}, err
	}
	p, err := readPoint(answer.Body)
	if err != nil {
		return point{}, err
	}
	p.askedAt = now
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.points) >= mostKept {
		clear(s.points)
	}
	s.points[place] = p
	return p, nil
}

// coordinate has four decimals at most and no zeros at the end: the service
// redirects any other form.
func coordinate(deg float64) string {
	return strconv.FormatFloat(math.Round(deg*1e4)/1e4+0, 'f', -1, 64)
}

// outside says that the service does not cover a place.
func outside(err error) error {
	return &forecast.Error{Status: status(err), Reason: "not covered", Err: fmt.Errorf("%w: %w", forecast.ErrOutside, err)}
}

var (
	gridID = regexp.MustCompile(`^[A-Z]{3}$`)
	zoneID = regexp.MustCompile(`^[A-Z]{2}[ZC][0-9]{3}$`)
)

func readPoint(body []byte) (point, error) {
	var answer struct {
		Properties struct {
			GridID       string          `json:"gridId"`
			GridX        json.RawMessage `json:"gridX"`
			GridY        json.RawMessage `json:"gridY"`
			ForecastZone string          `json:"forecastZone"`
			County       string          `json:"county"`
			Type         string          `json:"type"`
		} `json:"properties"`
	}
	if err := json.Unmarshal(body, &answer); err != nil {
		return point{}, unusable("answer on a place", err)
	}
	p := answer.Properties
	if p.Type == "marine" {
		return point{}, outside(errors.New("the place is at sea"))
	}
	x, y := number(p.GridX), number(p.GridY)
	if !gridID.MatchString(p.GridID) || !gridIndex(x) || !gridIndex(y) {
		return point{}, unusable("answer on a place", errors.New("no grid cell"))
	}
	found := point{grid: fmt.Sprintf("%s/%.0f,%.0f", p.GridID, *x, *y)}
	for _, zone := range []string{path.Base(p.ForecastZone), path.Base(p.County)} {
		if zoneID.MatchString(zone) {
			found.zones = append(found.zones, zone)
		}
	}
	return found, nil
}

func gridIndex(v *float64) bool { return v != nil && *v >= 0 && *v < 10_000 && *v == math.Trunc(*v) }

// number reads a number, also one in a string, as older answers have them; nil
// for null and for anything else.
func number(text json.RawMessage) *float64 {
	s := string(text)
	if strings.HasPrefix(s, `"`) {
		if err := json.Unmarshal(text, &s); err != nil {
			return nil
		}
	}
	if !decimal.MatchString(s) {
		return nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return nil
	}
	return &v
}

// decimal is a number as JSON writes it: no sign of plus, no hexadecimal, no
// infinity.
var decimal = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?$`)

// A quantity is a number with its unit.
type quantity struct {
	UnitCode       string          `json:"unitCode"`
	Value          json.RawMessage `json:"value"`
	QualityControl string          `json:"qualityControl"`
}

// in is the quantity in our unit; nil for none, and for a unit that is not
// listed.
func (q quantity) in(units units) *float64 {
	v := number(q.Value)
	convert, ok := units[unitName(q.UnitCode)]
	if v == nil || !ok {
		return nil
	}
	return new(convert(*v))
}
