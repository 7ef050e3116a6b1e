package openmeteo_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/openmeteo"
	"frostgate/scheduler/forecast/replay"

	"github.com/stretchr/testify/require"
)

func client(t *testing.T) *forecast.Client {
	t.Helper()
	c := forecast.NewClient(forecast.ClientConfig{Agent: "frostgate-test", PlainHTTP: true, Now: func() time.Time { return now }})
	t.Cleanup(c.Close)
	return c
}

func TestEnsembleGivesMeanAndSpread(t *testing.T) {
	body, err := os.ReadFile("testdata/ensemble.json")
	require.NoError(t, err)
	var asked []string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Date", now.Format(http.TimeFormat))
		w.Header().Set("Content-Type", "application/json")
		asked = append(asked, r.URL.String())
		if strings.HasPrefix(r.URL.Path, "/data/") {
			fmt.Fprintf(w, `{"last_run_availability_time":%d}`, run.Unix())
			return
		}
		_, _ = w.Write(body)
	}))
	t.Cleanup(srv.Close)
	src, err := openmeteo.NewEnsemble(openmeteo.Config{Client: client(t), BaseURL: srv.URL, Now: func() time.Time { return now }})
	require.NoError(t, err)
	require.Equal(t, "open-meteo-ensemble", src.About().Name)
	r := src.Fetch(t.Context(), []forecast.Cell{chicago})[0]
	require.NoError(t, r.Err, "no humidity is needed of a spread")
	require.True(t, r.Issue.Partial)
	require.Equal(t, run, r.Issue.IssuedAt)
	h := r.Issue.Hours[1]
	require.Equal(t, new(-3.5), h.AirTempC)
	require.Equal(t, new(0.71), h.AirTempSDC)
	require.Equal(t, new(0.6), h.WindSDMS)
	require.Nil(t, r.Issue.Hours[2].WindSDMS)
	require.Contains(t, asked[0], "/data/ncep_gefs025/static/meta.json")
	require.Contains(t, asked[1], "/v1/ensemble?")
	require.Contains(t, asked[1], "models=ncep_gefs025_ensemble_mean")
	require.NotContains(t, asked[1], "past_days")
}

// A run that a cell has already costs no call, unless more past is wanted.
func TestKnownRunIsNotAskedForAgain(t *testing.T) {
	s := &service{answer: say(points(t)[0])}
	src := s.source(t)
	first := src.Fetch(t.Context(), []forecast.Cell{chicago})[0]
	require.NotNil(t, first.Issue)
	known := chicago
	known.ETag = first.ETag
	again := src.Fetch(t.Context(), []forecast.Cell{known})[0]
	require.True(t, again.NotModified)
	require.Equal(t, first.ETag, again.ETag)
	require.Len(t, s.asked, 1)

	deeper := known
	deeper.Since = now.AddDate(0, 0, -14)
	require.NotNil(t, src.Fetch(t.Context(), []forecast.Cell{known, deeper})[1].Issue)
	require.Len(t, s.asked, 2)

	other := known
	other.ETag = "run 1799960000 past 2"
	require.NotNil(t, src.Fetch(t.Context(), []forecast.Cell{other})[0].Issue, "of an earlier run")
	other.ETag = `"from another kind of source"`
	require.NotNil(t, src.Fetch(t.Context(), []forecast.Cell{other})[0].Issue)
}

func TestSoilLayersFollowTheModel(t *testing.T) {
	p := points(t)[0]
	for name, want := range map[string]forecast.SoilTemp{
		"":                  {TopM: 0, BottomM: 0.1, TempC: -0.7},     // GFS: 0-10 cm
		"ncep_gfs_seamless": {TopM: 0, BottomM: 0.1, TempC: -0.7},     //
		"ecmwf_ifs":         {TopM: 0, BottomM: 0.07, TempC: -0.7},    // 0-7 cm
		"dwd_icon":          {TopM: 0.06, BottomM: 0.06, TempC: -0.7}, // at 6 cm
	} {
		srv := httptest.NewServer(&service{answer: say(p)})
		src, err := openmeteo.New(openmeteo.Config{Client: client(t), BaseURL: srv.URL, Model: name, IssueModel: "ncep_gfs013", Now: func() time.Time { return now }})
		require.NoError(t, err)
		r := src.Fetch(t.Context(), []forecast.Cell{chicago})[0]
		srv.Close()
		require.NoError(t, r.Err)
		require.Equal(t, want, r.Issue.Hours[1].SoilTemps[0], name)
	}
}

func TestFreeHostIsAskedSlowly(t *testing.T) {
	free, err := openmeteo.New(openmeteo.Config{})
	require.NoError(t, err)
	about := free.About()
	// 600 calls a minute, 1.4 for each point: the service's price list.
	perMinute := float64(time.Minute) / float64(about.Rate.Every) * float64(about.Batch) * 1.4
	require.LessOrEqual(t, perMinute, 601.0)
	paid, err := openmeteo.New(openmeteo.Config{Key: "k"})
	require.NoError(t, err)
	require.Greater(t, paid.About().Batch, about.Batch)
}

// What the replay server serves comes back as it was put in, but for rounding.
func TestReplayedWeatherComesBack(t *testing.T) {
	server := &replay.Server{Now: func() time.Time { return now }}
	place := replay.Sample()
	server.SetPlaces(place)
	srv := httptest.NewServer(server)
	t.Cleanup(srv.Close)
	src, err := openmeteo.New(openmeteo.Config{Client: client(t), BaseURL: srv.URL, Now: func() time.Time { return now }})
	require.NoError(t, err)
	cell, err := src.Locate(t.Context(), place.Latitude, place.Longitude, place.ElevationM)
	require.NoError(t, err)
	r := src.Fetch(t.Context(), []forecast.Cell{cell})[0]
	require.NoError(t, r.Err)
	require.Len(t, r.Issue.Hours, 12*24)
	for _, h := range r.Issue.Hours[:12*24-1] {
		put := place.Hour(h.At)
		require.InDelta(t, *put.AirTempC, *h.AirTempC, 0.006)
		require.InDelta(t, *put.DewPointC, *h.DewPointC, 0.006)
		require.InDelta(t, *put.WindMS, *h.WindMS, 0.006)
		require.InDelta(t, *put.GustMS, *h.GustMS, 0.006)
		require.InDelta(t, *put.Cloud, *h.Cloud, 0.006)
		require.InDelta(t, *put.ShortwaveWm2, *h.ShortwaveWm2, 0.006)
		require.InDelta(t, *put.PrecipMM, *h.PrecipMM, 0.006)
		require.InDelta(t, *put.PrecipProb, *h.PrecipProb, 0.006)
		require.InDelta(t, *put.SnowDepthM, *h.SnowDepthM, 0.006)
		require.InDelta(t, *put.SkinTempC, *h.SkinTempC, 0.006)
		require.Equal(t, put.PrecipType, h.PrecipType)
	}
	ens, err := openmeteo.NewEnsemble(openmeteo.Config{Client: client(t), BaseURL: srv.URL, Now: func() time.Time { return now }})
	require.NoError(t, err)
	spread := ens.Fetch(t.Context(), []forecast.Cell{cell})[0]
	require.NoError(t, spread.Err)
	require.InDelta(t, *place.Hour(spread.Issue.Hours[30].At).AirTempSDC, *spread.Issue.Hours[30].AirTempSDC, 0.006)
}
