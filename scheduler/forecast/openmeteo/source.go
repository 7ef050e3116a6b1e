package openmeteo

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"frostgate/scheduler/forecast"
)

// Config sets up a Source.
type Config struct {
	Client *forecast.Client
	// BaseURL of the service; empty means its public host, or the one for
	// customers when there is a key.
	BaseURL string
	Key     string // of a contract; the public host is for non-commercial use
	Model   string // empty: the service's best match for each place
	// IssueModel is the model whose run time counts as the issue time; empty
	// means the global model that best match falls back on in America.
	IssueModel string
	Days       int // ahead; 0 means 12, up to 16
	Now        func() time.Time
}

// Names of the sources in records.
const (
	Name         = "open-meteo"
	EnsembleName = "open-meteo-ensemble"
)

// A product is one of the answers that the service gives.
type product struct {
	name, path             string
	publicHost, clientHost string
	model, issueModel      string // usual ones
	days                   int
	past                   bool // has past hours
	partial                bool
	hourly                 []string // asked for; up to ten count as one call, more in proportion
	fill                   func(c *columns, h *forecast.Hour, i int)
}

var (
	weather = product{
		name: Name, path: "/v1/forecast",
		publicHost: "https://api.open-meteo.com", clientHost: "https://customer-api.open-meteo.com",
		issueModel: "ncep_gfs013", // from memory: the service's name of the 13 km GFS
		days:       12,            // with 2 past days still one call's weight (14 days)
		past:       true,
		hourly: []string{
			"temperature_2m", "dew_point_2m", "wind_speed_10m", "wind_gusts_10m", "cloud_cover", "shortwave_radiation",
			"precipitation", "precipitation_probability", "weather_code", "snowfall", "snow_depth",
			"soil_temperature_0cm", "soil_temperature_6cm", "soil_temperature_18cm",
		},
		fill: (*columns).fill,
	}
	ensemble = product{
		name: EnsembleName, path: "/v1/ensemble",
		publicHost: "https://ensemble-api.open-meteo.com", clientHost: "https://customer-ensemble-api.open-meteo.com",
		model: "ncep_gefs025_ensemble_mean", issueModel: "ncep_gefs025",
		days: 10, partial: true,
		hourly: []string{"temperature_2m", "temperature_2m_spread", "wind_speed_10m", "wind_speed_10m_spread"},
		fill:   (*columns).fillSpread,
	}
)

const (
	mostCalls    = 24 // of one Fetch beyond its batches, split up for bad points
	mostPastDays = 92
	deadline     = 60 * time.Second
	metaLasts    = 10 * time.Minute // of the public hosts; one of one's own can tell more often
	metaLastsOwn = time.Second
	// The issue time is that of a model run every six hours: three missed runs
	// are doubtful, six not used.
	staleAfter = 18 * time.Hour
	deadAfter  = 36 * time.Hour
)

// The free host counts 1.4 calls for a point and allows 600 a minute: 25 points
// every 3.5 s. A contract has no such limit.
var (
	freeRate   = forecast.Rate{Every: 3500 * time.Millisecond, Burst: 4}
	clientRate = forecast.Rate{Every: 250 * time.Millisecond, Burst: 4}
)

const (
	freeBatch   = 25
	clientBatch = 100
)

// A Source asks one Open-Meteo host for one product. It is safe for concurrent
// use.
type Source struct {
	product
	cfg  Config
	host string

	mu   sync.Mutex
	meta runMeta
}

// New makes the source of the forecast with past hours.
func New(cfg Config) (*Source, error) { return newSource(weather, cfg) }

// NewEnsemble makes the source of an ensemble's mean and spread, by default of
// the American global one.
func NewEnsemble(cfg Config) (*Source, error) { return newSource(ensemble, cfg) }

func newSource(p product, cfg Config) (*Source, error) {
	if cfg.BaseURL == "" {
		cfg.BaseURL = p.publicHost
		if cfg.Key != "" {
			cfg.BaseURL = p.clientHost
		}
	}
	u, err := url.Parse(cfg.BaseURL)
	if err != nil || u.Host == "" {
		return nil, fmt.Errorf("open-meteo address %q is no URL", cfg.BaseURL)
	}
	if cfg.Days < 0 || cfg.Days > 16 {
		return nil, fmt.Errorf("open-meteo answers 1 to 16 days ahead, not %d", cfg.Days)
	}
	cfg.BaseURL = strings.TrimRight(cfg.BaseURL, "/")
	cfg.Days = cmp.Or(cfg.Days, p.days)
	cfg.Model = cmp.Or(cfg.Model, p.model)
	cfg.IssueModel = cmp.Or(cfg.IssueModel, p.issueModel)
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	return &Source{product: p, cfg: cfg, host: u.Host}, nil
}

// About tells of the source.
func (s *Source) About() forecast.About {
	a := forecast.About{
		Name: s.name, Host: s.host,
		Attribution: "Weather data by Open-Meteo.com (CC BY 4.0)", Link: "https://open-meteo.com/",
		Batch: clientBatch, Rate: clientRate, Period: time.Hour, StaleAfter: staleAfter, DeadAfter: deadAfter,
		Partial: s.partial, Aside: s.partial,
	}
	if s.cfg.BaseURL == s.publicHost {
		a.Batch, a.Rate = freeBatch, freeRate
	}
	return a
}

// How finely places are told apart: about 2 km, less than the finest grid
// behind best match, and a height that moves the air by at most 0.2 C.
const (
	cellDeg     = 0.02
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

// Fetch asks for all cells, in as few calls as their answers allow: a call that
// is refused for one bad point is split until the point is found. A cell that
// has the latest run already is not asked for. The results are in the order of
// the cells.
func (s *Source) Fetch(ctx context.Context, cells []forecast.Cell) []forecast.Result {
	results := make([]forecast.Result, len(cells))
	run, err := s.latestRun(ctx)
	if err != nil {
		fail(results, err)
		return results
	}
	var due []forecast.Cell
	var at []int // of the due cells
	for i, c := range cells {
		if s.has(c, run) {
			results[i] = forecast.Result{NotModified: true, ETag: c.ETag}
		} else {
			due, at = append(due, c), append(at, i)
		}
	}
	batch := s.About().Batch
	f := fetch{source: s, run: run, calls: mostCalls + max(0, len(due)-1)/batch}
	answers := make([]forecast.Result, len(due))
	for from := 0; from < len(due); from += batch {
		to := min(from+batch, len(due))
		f.cells(ctx, due[from:to], answers[from:to])
	}
	for k, i := range at {
		results[i] = answers[k]
	}
	return results
}

// mark stands for an answer's run and its past days. It is kept with the cell as
// a validator, since the service has none.
func mark(run time.Time, pastDays int) string {
	return fmt.Sprintf("run %d past %d", run.Unix(), pastDays)
}

// has reports whether a cell's last answer was of this run and had the past that
// is wanted.
func (s *Source) has(c forecast.Cell, run time.Time) bool {
	var unix int64
	var pastDays int
	if n, err := fmt.Sscanf(c.ETag, "run %d past %d", &unix, &pastDays); n != 2 || err != nil || run.IsZero() {
		return false
	}
	return unix == run.Unix() && pastDays >= s.pastDays([]forecast.Cell{c})
}

func fail(results []forecast.Result, err error) {
	for i := range results {
		results[i] = forecast.Result{Err: err}
	}
}

// A fetch is one Fetch on its way.
type fetch struct {
	source *Source
	run    time.Time // when the model run became available; zero when the host does not say
	calls  int       // left
}

// errBatch marks an answer to several points that can't be told apart.
var errBatch = errors.New("answer does not match the points asked for")

func (f *fetch) cells(ctx context.Context, cells []forecast.Cell, results []forecast.Result) {
	if f.calls == 0 {
		fail(results, &forecast.Error{Retry: true, Reason: "too many bad points in one batch"})
		return
	}
	f.calls--
	err := f.ask(ctx, cells, results)
	if err == nil {
		return
	}
	if len(cells) == 1 || !splittable(err) {
		fail(results, err)
		return
	}
	half := len(cells) / 2
	f.cells(ctx, cells[:half], results[:half])
	f.cells(ctx, cells[half:], results[half:])
}

func splittable(err error) bool {
	var fault *forecast.Error
	return errors.Is(err, errBatch) || errors.As(err, &fault) && fault.Status == http.StatusBadRequest
}

// ask puts one call and fills the results, or says why the whole of it failed.
func (f *fetch) ask(ctx context.Context, cells []forecast.Cell, results []forecast.Result) error {
	s := f.source
	answer, err := s.get(ctx, s.address(cells), int64(len(cells))*256<<10+1<<20)
	if err != nil {
		return err
	}
	points, err := splitPoints(answer.Body, len(cells))
	if err != nil {
		return err
	}
	now := s.cfg.Now().UTC()
	for i, point := range points {
		results[i] = forecast.Result{ExpiresAt: answer.FreshUntil}
		issue := &forecast.Issue{
			Source: s.name, Model: cmp.Or(s.cfg.Model, "best_match"), Cell: cells[i], Partial: s.partial,
			IssuedAt: f.run, FetchedAt: now,
		}
		if issue.IssuedAt.IsZero() {
			issue.IssuedAt = now
		} else {
			results[i].ETag = mark(f.run, s.pastDays(cells))
		}
		if err := s.read(point, i, issue); err != nil {
			results[i].Err = err
			continue
		}
		results[i].Issue = issue
	}
	return nil
}

// get asks and reads the service's own reason out of a refusal.
func (s *Source) get(ctx context.Context, address string, limit int64) (*forecast.Response, error) {
	r := forecast.Request{URL: address, CapBytes: limit, Deadline: deadline}
	if s.cfg.Key != "" {
		r.Header = http.Header{"X-Api-Key": {s.cfg.Key}}
	}
	answer, err := s.cfg.Client.Get(ctx, r)
	if fault, ok := errors.AsType[*forecast.Error](err); ok {
		explain(fault, s.cfg.Now())
	}
	return answer, err
}

func (s *Source) address(cells []forecast.Cell) string {
	list := func(value func(c *forecast.Cell) float64, decimals int) string {
		var text strings.Builder
		for i := range cells {
			if i > 0 {
				text.WriteByte(',')
			}
			text.WriteString(strconv.FormatFloat(value(&cells[i]), 'f', decimals, 64))
		}
		return text.String()
	}
	q := url.Values{
		"latitude":           {list(func(c *forecast.Cell) float64 { return c.Latitude }, 4)},
		"longitude":          {list(func(c *forecast.Cell) float64 { return c.Longitude }, 4)},
		"elevation":          {list(func(c *forecast.Cell) float64 { return c.ElevationM }, 0)},
		"hourly":             {strings.Join(s.hourly, ",")},
		"timeformat":         {"unixtime"},
		"timezone":           {"GMT"},
		"temperature_unit":   {"celsius"},
		"wind_speed_unit":    {"ms"},
		"precipitation_unit": {"mm"},
		"forecast_days":      {strconv.Itoa(s.cfg.Days)},
	}
	if s.past {
		q.Set("past_days", strconv.Itoa(s.pastDays(cells)))
	}
	if s.cfg.Model != "" {
		q.Set("models", s.cfg.Model)
	}
	return s.cfg.BaseURL + s.path + "?" + q.Encode()
}

// pastDays is how many days before today (UTC) the earliest wish of the cells
// needs.
func (s *Source) pastDays(cells []forecast.Cell) int {
	if !s.past {
		return 0
	}
	today := s.cfg.Now().UTC().Truncate(24 * time.Hour)
	days := 0
	for i := range cells {
		if since := cells[i].Since; !since.IsZero() {
			days = max(days, int(math.Ceil(today.Sub(since).Hours()/24)))
		}
	}
	return min(days, mostPastDays)
}
