package nws

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"path"
	"strings"
	"sync"
	"time"

	"frostgate/scheduler/forecast"
)

// Config sets up a Service.
type Config struct {
	Client  *forecast.Client // its agent has to name a contact
	BaseURL string           // empty means https://api.weather.gov
	Now     func() time.Time
}

// Names of the sources in records.
const (
	ForecastName = "nws"
	StationsName = "nws-stations"
	AlertsName   = "nws-alerts"
)

const (
	publicHost  = "https://api.weather.gov"
	attribution = "Weather data by the US National Weather Service"
	link        = "https://www.weather.gov/"
	edgePause   = time.Minute // after a refusal by the edge, which has no body of the service's own
	// The grid of a place changes without notice, so it is asked for again each
	// week; three sources ask for the same place at about the same time.
	relocate   = 7 * 24 * time.Hour
	pointLasts = 10 * time.Minute
	listLasts  = 24 * time.Hour // of the stations near a grid cell
	mostKept   = 4096           // places and lists
)

// rate stays far below what the service allows, which it does not publish.
var rate = forecast.Rate{Every: 500 * time.Millisecond, Burst: 5}

// Caps of the bodies, several times of what they really have.
const (
	pointCap    = 256 << 10
	gridCap     = 2 << 20
	hourlyCap   = 1 << 20
	stationsCap = 1 << 20
	observedCap = 4 << 20
	alertsCap   = 16 << 20
)

// A Service is one host of the weather service. It is safe for concurrent use.
type Service struct {
	cfg  Config
	host string

	mu     sync.Mutex
	points map[string]point       // resolved of late
	lists  map[string]stationList // asked for of late, by grid cell
	recent recent                 // what stations reported of late
}

// New makes a service.
func New(cfg Config) (*Service, error) {
	if cfg.BaseURL == "" {
		cfg.BaseURL = publicHost
	}
	cfg.BaseURL = strings.TrimRight(cfg.BaseURL, "/")
	u, err := url.Parse(cfg.BaseURL)
	if err != nil || u.Host == "" {
		return nil, fmt.Errorf("weather service address %q is no URL", cfg.BaseURL)
	}
	if !cfg.Client.HasContact() {
		return nil, errors.New("the weather service wants a mail address or a page in the user agent")
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	return &Service{cfg: cfg, host: u.Host, points: map[string]point{}, lists: map[string]stationList{}, recent: recent{of: map[string]observed{}}}, nil
}

// about is what the three sources have in common.
func (s *Service) about(name string) forecast.About {
	return forecast.About{
		Name: name, Host: s.host, Attribution: attribution, Link: link, Rate: rate, Batch: 1, Relocate: relocate,
	}
}

// header is the same in every question: the edge keeps a copy for each variant,
// and stale ones were seen.
var header = http.Header{"Accept": {"application/geo+json"}}

// get asks for a path of the host, or for an address on it.
func (s *Service) get(ctx context.Context, address string, limit int64, lastModified string) (*forecast.Response, error) {
	if strings.HasPrefix(address, "/") {
		address = s.cfg.BaseURL + address
	}
	answer, err := s.cfg.Client.Get(ctx, forecast.Request{URL: address, Header: header, CapBytes: limit, LastModified: lastModified})
	if fault, ok := errors.AsType[*forecast.Error](err); ok {
		explain(fault)
	}
	return answer, err
}

// A problem is the body of a refusal.
type problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Detail string `json:"detail"`
}

// explain puts the service's own words into a refusal. A bare 403 comes from the
// edge, which turns away who asks too much.
func explain(fault *forecast.Error) {
	if refused, ok := errors.AsType[*forecast.Refusal](fault.Err); ok {
		var p problem
		if json.Unmarshal(refused.Body, &p) == nil && p.Title != "" {
			fault.Err = &forecast.Refusal{Body: []byte(p.Title + " (" + path.Base(p.Type) + "): " + p.Detail)}
			return
		}
	}
	if fault.Status == http.StatusForbidden {
		fault.Retry, fault.Host, fault.After = true, true, edgePause
	}
}

// status is that of the answer behind an error; 0 without one.
func status(err error) int {
	if fault, ok := errors.AsType[*forecast.Error](err); ok {
		return fault.Status
	}
	return 0
}

// unusable is an answer that can't be read, worth another try.
func unusable(what string, err error) error {
	return &forecast.Error{Retry: true, Reason: "unusable " + what, Err: err}
}
