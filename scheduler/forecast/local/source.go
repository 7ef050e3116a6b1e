package local

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

// Config sets up a Source: a folder, or an address.
type Config struct {
	Folder string
	URL    string
	Client *forecast.Client // for URL
	// Attribution and Link are the credit to show beside the data; empty means the
	// firm's own weather.
	Attribution, Link string
	Now               func() time.Time
}

// Name is the source's name in records.
const Name = "local"

const (
	fileCap        = 4 << 20
	usualWithinKM  = 10.0
	mostWithinKM   = 200.0
	period         = 15 * time.Minute
	staleAfter     = 12 * time.Hour
	deadAfter      = 36 * time.Hour
	kmPerDeg       = 111.2
	indexFile      = "index.json"
	attributionOwn = "Weather provided by the firm"
)

// A Source reads a folder or an address. It is safe for concurrent use.
type Source struct {
	cfg  Config
	host string
}

// New makes a source.
func New(cfg Config) (*Source, error) {
	s := &Source{host: "local"}
	switch {
	case (cfg.Folder == "") == (cfg.URL == ""):
		return nil, errors.New("local weather is in a folder or at an address, one of them")
	case cfg.URL != "":
		u, err := url.Parse(cfg.URL)
		if err != nil || u.Host == "" || u.RawQuery != "" {
			return nil, fmt.Errorf("address of local weather %q is no plain URL", cfg.URL)
		}
		s.host = u.Host
		cfg.URL = strings.TrimRight(cfg.URL, "/")
	}
	if cfg.Attribution == "" {
		cfg.Attribution = attributionOwn
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	s.cfg = cfg
	return s, nil
}

// About tells of the source.
func (s *Source) About() forecast.About {
	return forecast.About{
		Name: Name, Host: s.host, Attribution: s.cfg.Attribution, Link: s.cfg.Link, Batch: 50, Period: period,
		Rate: forecast.Rate{Every: 100 * time.Millisecond, Burst: 10}, StaleAfter: staleAfter, DeadAfter: deadAfter,
	}
}

// An index lists the places that there is weather for.
type index struct {
	WithinKM float64 `json:"within_km"`
	Places   []place `json:"places"`
}

type place struct {
	File       string  `json:"file"`
	Latitude   float64 `json:"latitude"`
	Longitude  float64 `json:"longitude"`
	ElevationM float64 `json:"elevation_m"`
}

// fileName is a plain name: no folders, nothing hidden.
var fileName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,99}\.json$`)

// Locate finds the nearest place of the index.
func (s *Source) Locate(ctx context.Context, latitude, longitude, _ float64) (forecast.Cell, error) {
	answer, err := s.read(ctx, indexFile, "")
	if err != nil {
		return forecast.Cell{}, err
	}
	var list index
	if err := decode(answer.Body, &list); err != nil {
		return forecast.Cell{}, &forecast.Error{Retry: true, Reason: "unusable index", Err: err}
	}
	var nearest *place
	least := min(list.WithinKM, mostWithinKM)
	if least <= 0 {
		least = usualWithinKM
	}
	for i := range list.Places {
		p := &list.Places[i]
		if !fileName.MatchString(p.File) || p.File == indexFile {
			return forecast.Cell{}, &forecast.Error{Retry: true, Reason: "unusable index", Err: fmt.Errorf("%.60q is no file name", p.File)}
		}
		if km := distanceKM(p, latitude, longitude); km <= least {
			nearest, least = p, km
		}
	}
	if nearest == nil {
		return forecast.Cell{}, &forecast.Error{Reason: "not covered", Err: forecast.ErrOutside}
	}
	return forecast.Cell{Key: nearest.File, Latitude: nearest.Latitude, Longitude: nearest.Longitude, ElevationM: nearest.ElevationM}, nil
}

// distanceKM is good for short distances, all that counts here.
func distanceKM(p *place, latitude, longitude float64) float64 {
	dLon := math.Remainder(p.Longitude-longitude, 360) * math.Cos(latitude*math.Pi/180)
	return kmPerDeg * math.Hypot(p.Latitude-latitude, dLon)
}

// Fetch reads the file of each cell.
func (s *Source) Fetch(ctx context.Context, cells []forecast.Cell) []forecast.Result {
	results := make([]forecast.Result, len(cells))
	for i, cell := range cells {
		results[i] = s.fetch(ctx, cell)
	}
	return results
}

func (s *Source) fetch(ctx context.Context, cell forecast.Cell) forecast.Result {
	if !fileName.MatchString(cell.Key) {
		return forecast.Result{Err: &forecast.Error{Reason: "no file name", Err: forecast.ErrMoved}}
	}
	answer, err := s.read(ctx, cell.Key, cell.LastModified)
	if err != nil {
		return forecast.Result{Err: err}
	}
	result := forecast.Result{NotModified: answer.NotModified, ETag: answer.ETag, LastModified: answer.LastModified, ExpiresAt: answer.FreshUntil}
	if answer.NotModified {
		return result
	}
	result.Issue = &forecast.Issue{Source: Name, Cell: cell, FetchedAt: s.cfg.Now().UTC()}
	if err := fill(answer.Body, result.Issue); err != nil {
		return forecast.Result{Err: err}
	}
	return result
}

// A file is the weather of a place.
type file struct {
	IssuedAt time.Time       `json:"issued_at"`
	Model    string          `json:"model"`
	Observed bool            `json:"observed"`
	Hours    []forecast.Hour `json:"hours"`
}

// mostModel is the longest name of a model that is kept.
const mostModel = 60

// fill reads a file into an issue. Its error is an [*forecast.Error].
func fill(body []byte, issue *forecast.Issue) error {
	var f file
	if err := decode(body, &f); err != nil {
		return &forecast.Error{Retry: true, Reason: "unusable file", Err: err}
	}
	if f.IssuedAt.IsZero() {
		return &forecast.Error{Retry: true, Reason: "unusable file", Err: errors.New("issued_at is missing")}
	}
	issue.IssuedAt, issue.Observed, issue.Hours = f.IssuedAt.UTC(), f.Observed, f.Hours
	issue.Model = strings.ToValidUTF8(f.Model[:min(len(f.Model), mostModel)], "")
	for i := range issue.Hours {
		issue.Hours[i].At = issue.Hours[i].At.UTC()
		issue.Hours[i].Flags.SetAll(forecast.Native)
	}
	if err := issue.Check(); err != nil {
		return err
	}
	issue.Derive()
	issue.Seal(body)
	return nil
}

// decode reads one value and nothing behind it, without members of other names.
func decode(body []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("something follows the end")
	}
	return nil
}

// read gives a file of the folder or the address.
func (s *Source) read(ctx context.Context, name, lastModified string) (*forecast.Response, error) {
	if s.cfg.URL != "" {
		return s.cfg.Client.Get(ctx, forecast.Request{URL: s.cfg.URL + "/" + name, CapBytes: fileCap, LastModified: lastModified})
	}
	answer, err := s.open(name, lastModified)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &forecast.Error{Status: http.StatusNotFound, Retry: true, Reason: "no such file", Err: err}
	}
	if err != nil {
		return nil, &forecast.Error{Retry: true, Reason: "unreadable file", Err: err}
	}
	return answer, nil
}

// open reads a file of the folder, unless it is the one that was read before.
// Nothing outside the folder can be reached by a name or a link.
func (s *Source) open(name, lastModified string) (*forecast.Response, error) {
	root, err := os.OpenRoot(s.cfg.Folder)
	if err != nil {
		return nil, err
	}
	defer root.Close() //nolint:errcheck // only read
	info, err := root.Stat(name)
	if err != nil {
		return nil, err
	}
	answer := &forecast.Response{LastModified: info.ModTime().UTC().Format(time.RFC3339Nano)}
	switch {
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is no file", name)
	case answer.LastModified == lastModified:
		answer.NotModified = true
		return answer, nil
	}
	f, err := root.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // only read
	answer.Body, err = io.ReadAll(io.LimitReader(f, fileCap+1))
	if err == nil && len(answer.Body) > fileCap {
		err = fmt.Errorf("%s is larger than %d bytes", name, fileCap)
	}
	return answer, err
}
