package local_test

import (
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/local"

	"github.com/stretchr/testify/require"
)

var now = time.Date(2027, 1, 14, 23, 10, 0, 0, time.UTC)

func clock() time.Time { return now }

// folder copies the fixtures, changed in a way, to where they may be changed.
func folder(t testing.TB, pairs ...string) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"index.json", "north.json"} {
		body, err := os.ReadFile("testdata/" + name)
		require.NoError(t, err)
		for i := 0; i < len(pairs); i += 2 {
			body = []byte(strings.Replace(string(body), pairs[i], pairs[i+1], 1))
		}
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), body, 0o600))
	}
	return dir
}

func source(t testing.TB, cfg local.Config) *local.Source {
	t.Helper()
	cfg.Now = clock
	s, err := local.New(cfg)
	require.NoError(t, err)
	return s
}

var north = forecast.Cell{Key: "north.json", Latitude: 45.42, Longitude: -92.13, ElevationM: 260}

func TestFolderIsRead(t *testing.T) {
	s := source(t, local.Config{Folder: folder(t)})
	cell, err := s.Locate(t.Context(), 45.5, -92.2, 250)
	require.NoError(t, err)
	require.Equal(t, north, cell)
	_, err = s.Locate(t.Context(), 45.7, -92.13, 250)
	require.ErrorIs(t, err, forecast.ErrOutside, "31 km off: 0.28 degrees of 111 km")

	r := s.Fetch(t.Context(), []forecast.Cell{cell})[0]
	require.NoError(t, r.Err)
	issue := r.Issue
	require.Equal(t, time.Date(2027, 1, 14, 22, 30, 0, 0, time.UTC), issue.IssuedAt)
	require.Equal(t, "own", issue.Model)
	require.Len(t, issue.Hours, 3)
	h := issue.Hours[0]
	require.Equal(t, rules.Hour{
		At: h.At, AirTempC: new(-4.2), DewPointC: new(-7.0), WindMS: new(3.0), GustMS: new(6.0), Cloud: new(1.0), ShortwaveWm2: new(0.0),
		PrecipMM: new(0.2), PrecipType: "snow", PrecipProb: new(0.7), SnowDepthM: new(0.04), AirTempSDC: new(1.5), WindSDMS: new(1.0),
	}, h.Hour)
	require.Equal(t, []forecast.SoilTemp{{TopM: 0, BottomM: 0.1, TempC: -0.3}}, h.SoilTemps)
	require.Equal(t, new(98600.0), h.PressurePa)
	require.Nil(t, issue.Hours[1].PrecipMM)
	require.NotNil(t, issue.Hours[1].DewPointC, "from the humidity")
	require.Equal(t, time.Date(2027, 1, 15, 1, 0, 0, 0, time.UTC), issue.Hours[2].At)

	cell.LastModified = r.LastModified
	again := s.Fetch(t.Context(), []forecast.Cell{cell})[0]
	require.True(t, again.NotModified)
}

func TestFolderChanges(t *testing.T) {
	dir := folder(t)
	s := source(t, local.Config{Folder: dir})
	first := s.Fetch(t.Context(), []forecast.Cell{north})[0]
	require.NoError(t, first.Err)
	path := filepath.Join(dir, "north.json")
	require.NoError(t, os.Chtimes(path, now, now.Add(time.Hour)))
	cell := north
	cell.LastModified = first.LastModified
	require.NotNil(t, s.Fetch(t.Context(), []forecast.Cell{cell})[0].Issue)
	require.NoError(t, os.Remove(path))
	var fault *forecast.Error
	require.ErrorAs(t, s.Fetch(t.Context(), []forecast.Cell{cell})[0].Err, &fault)
	require.True(t, fault.Retry, "the feed may be between two files")
}

func TestNothingOutsideTheFolderIsReached(t *testing.T) {
	dir := folder(t)
	secret := filepath.Join(t.TempDir(), "secret.json")
	require.NoError(t, os.WriteFile(secret, []byte(`{}`), 0o600))
	require.NoError(t, os.Symlink(secret, filepath.Join(dir, "link.json")))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder.json"), 0o700))
	s := source(t, local.Config{Folder: dir})
	for _, key := range []string{"../secret.json", "/etc/passwd", "a/b.json", ".hidden.json", "link.json", "folder.json", "north.json\x00", "", strings.Repeat("a", 200) + ".json"} {
		require.Error(t, s.Fetch(t.Context(), []forecast.Cell{{Key: key}})[0].Err, key)
	}
	_, err := source(t, local.Config{Folder: folder(t, "north.json", "../north.json")}).Locate(t.Context(), 45.42, -92.13, 0)
	require.ErrorContains(t, err, "no file name")
}

func TestBrokenFilesAreRefused(t *testing.T) {
	for name, swap := range map[string][2]string{
		"misspelt member":     {`"air_temp_c": -4.2`, `"air_temp": -4.2`},
		"no time of issue":    {`"issued_at": "2027-01-14T22:30:00Z", `, ``},
		"issued later":        {"T22:30:00Z", "T23:30:00Z"},
		"text for a number":   {`"air_temp_c": -4.2`, `"air_temp_c": "-4.2"`},
		"half hour":           {"2027-01-15T00:00:00Z", "2027-01-15T00:30:00Z"},
		"twice differently":   {"2027-01-15T00:00:00Z", "2027-01-14T23:00:00Z"},
		"something behind":    {"]}", "]} trailing"},
		"cut":                 {`"cloud": 0.4}`, ``},
		"hours are an object": {`"hours": [`, `"hours": {"a": [`},
	} {
		t.Run(name, func(t *testing.T) {
			r := source(t, local.Config{Folder: folder(t, swap[0], swap[1])}).Fetch(t.Context(), []forecast.Cell{north})[0]
			var fault *forecast.Error
			require.ErrorAs(t, r.Err, &fault)
			require.True(t, fault.Retry)
		})
	}
	r := source(t, local.Config{Folder: folder(t, `"gust_ms": 6`, `"gust_ms": 600`)}).Fetch(t.Context(), []forecast.Cell{north})[0]
	require.NoError(t, r.Err)
	require.Nil(t, r.Issue.Hours[0].GustMS, "no weather can have it")
}

func TestHugeFileIsRefused(t *testing.T) {
	dir := folder(t)
	f, err := os.Create(filepath.Join(dir, "north.json"))
	require.NoError(t, err)
	require.NoError(t, f.Truncate(1<<30)) // sparse
	require.NoError(t, f.Close())
	require.ErrorContains(t, source(t, local.Config{Folder: dir}).Fetch(t.Context(), []forecast.Cell{north})[0].Err, "larger than")
}

func TestAddressIsRead(t *testing.T) {
	srv := httptest.NewServer(http.FileServer(http.Dir("testdata")))
	t.Cleanup(srv.Close)
	client := forecast.NewClient(forecast.ClientConfig{Agent: "frostgate-test", PlainHTTP: true})
	t.Cleanup(client.Close)
	s := source(t, local.Config{URL: srv.URL + "/", Client: client})
	cell, err := s.Locate(t.Context(), 45.42, -92.13, 250)
	require.NoError(t, err)
	r := s.Fetch(t.Context(), []forecast.Cell{cell})[0]
	require.NoError(t, r.Err)
	require.Len(t, r.Issue.Hours, 3)
	cell.LastModified = r.LastModified
	require.True(t, s.Fetch(t.Context(), []forecast.Cell{cell})[0].NotModified)
}

func TestConfigIsOneOfTwo(t *testing.T) {
	for _, cfg := range []local.Config{{}, {Folder: "a", URL: "https://example.org"}, {URL: "not a url"}, {URL: "https://example.org/?key=1"}} {
		_, err := local.New(cfg)
		require.Error(t, err)
	}
}

func FuzzFile(f *testing.F) {
	body, err := os.ReadFile("testdata/north.json")
	require.NoError(f, err)
	f.Add(body)
	f.Add([]byte(`{"issued_at":"2027-01-14T22:30:00Z","hours":[{"at":"2027-01-14T23:00:00Z","air_temp_c":1e308}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(dir, "a.json"), body, 0o600))
		r := source(t, local.Config{Folder: dir}).Fetch(t.Context(), []forecast.Cell{{Key: "a.json", Latitude: 45, Longitude: -92}})[0]
		if r.Err == nil {
			require.NoError(t, r.Issue.Verify())
		}
	})
}

// An index leads to a plain name within reach, or nowhere.
func FuzzIndex(f *testing.F) {
	body, err := os.ReadFile("testdata/index.json")
	require.NoError(f, err)
	f.Add(body)
	f.Add([]byte(`{"within_km":1e308,"places":[{"file":"../x.json","latitude":45,"longitude":-92,"elevation_m":0}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(dir, "index.json"), body, 0o600))
		cell, err := source(t, local.Config{Folder: dir}).Locate(t.Context(), 45, -92, 250)
		if err == nil {
			require.Regexp(t, `^[A-Za-z0-9][A-Za-z0-9._-]*\.json$`, cell.Key)
			require.Less(t, math.Abs(cell.Latitude-45), 2.0)
		}
	})
}
