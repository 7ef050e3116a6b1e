package metno

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

// Config sets up a Source.
type Config struct {
	Client  *forecast.Client // its agent has to name a contact
	BaseURL string           // empty means https://api.met.no
	Now     func() time.Time
}

// Name is the source's name in records.
const Name = "met-norway"

const (
	publicHost = "https://api.met.no"
	bodyCap    = 2 << 20
	// Outside its own area the service passes on a global model that runs every
	// six or twelve hours.
	staleAfter = 18 * time.Hour
	deadAfter  = 36 * time.Hour
)

// rate stays far below the 20 calls a second that the service allows to one
// application.
var rate = forecast.Rate{Every: 200 * time.Millisecond, Burst: 5}

// A Source asks the service. It is safe for concurrent use.
type Source struct {
	cfg  Config
	host string
}

// New makes a source.
func New(cfg Config) (*Source, error) {
	if cfg.BaseURL == "" {
		cfg.BaseURL = publicHost
	}
	cfg.BaseURL = strings.TrimRight(cfg.BaseURL, "/")
	u, err := url.Parse(cfg.BaseURL)
	if err != nil || u.Host == "" {
		return nil, fmt.Errorf("MET Norway address %q is no URL", cfg.BaseURL)
	}
	if !cfg.Client.HasContact() {
		return nil, errors.New("MET Norway wants a mail address or a page in the user agent")
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	return &Source{cfg: cfg, host: u.Host}, nil
}

// About tells of the source. Its answers say when to ask again.
func (s *Source) About() forecast.About {
	return forecast.About{
		Name: Name, Host: s.host,
		Attribution: "Weather data from MET Norway (CC BY 4.0)", Link: "https://www.met.no/en",
		Batch: 1, Period: time.Hour, Rate: rate, StaleAfter: staleAfter, DeadAfter: deadAfter,
	}
}

// How finely places are told apart: a kilometre, which also keeps the user's
// sites from being traced, and a height that moves the air by 0.2 C.
const (
	cellDeg     = 0.01
	cellHeightM = 50
)

// Locate gives the cell of a place. It asks nobody.
func (s *Source) Locate(_ context.Context, latitude, longitude, elevationM float64) (forecast.Cell, error) {
	c := forecast.Cell{
		Latitude:   roundTo(latitude, cellDeg),
		Longitude:  roundTo(longitude, cellDeg),
		ElevationM: roundTo(elevationM, cellHeightM),
	}
	c.Key = fmt.Sprintf("%.2f,%.2f,%.0f", c.Latitude, c.Longitude, c.ElevationM)
	return c, nil
}

func roundTo(v, step float64) float64 {
	return math.Round(math.Round(v/step)*step*1e4)/1e4 + 0 // no negative zero
}

// Fetch asks for each cell.
func (s *Source) Fetch(ctx context.Context, cells []forecast.Cell) []forecast.Result {
	results := make([]forecast.Result, len(cells))
	for i, cell := range cells {
		results[i] = s.fetch(ctx, cell)
	}
	return results
}

func (s *Source) fetch(ctx context.Context, cell forecast.Cell) forecast.Result {
	answer, err := s.cfg.Client.Get(ctx, forecast.Request{URL: s.address(cell), CapBytes: bodyCap, LastModified: cell.LastModified})
	if err != nil {
		return forecast.Result{Err: outside(err)}
	}
	result := forecast.Result{NotModified: answer.NotModified, LastModified: answer.LastModified, ExpiresAt: answer.FreshUntil}
	if answer.NotModified {
		return result
	}
	issue := &forecast.Issue{Source: Name, Model: "locationforecast", Cell: cell, FetchedAt: s.cfg.Now().UTC()}
	if err := read(answer.Body, issue); err != nil {
		return forecast.Result{Err: err}
	}
	if answer.Deprecated {
		result.Notice = "the service marks this product as deprecated or in trial (status 203)"
	}
	result.Issue = issue
	return result
}

// outside turns the status for places off the map into its cause.
func outside(err error) error {
	var fault *forecast.Error
	if errors.As(err, &fault) && fault.Status == http.StatusUnprocessableEntity {
		fault.Err = fmt.Errorf("%w: %w", forecast.ErrOutside, fault.Err)
	}
	return err
}

// address has four decimals at most, which the service enforces.
func (s *Source) address(cell forecast.Cell) string {
	q := url.Values{
		"lat":      {strconv.FormatFloat(roundTo(cell.Latitude, 1e-4), 'f', -1, 64)},
		"lon":      {strconv.FormatFloat(roundTo(cell.Longitude, 1e-4), 'f', -1, 64)},
		"altitude": {strconv.FormatFloat(math.Round(cell.ElevationM), 'f', 0, 64)},
	}
	return s.cfg.BaseURL + "/weatherapi/locationforecast/2.0/complete?" + q.Encode()
}
