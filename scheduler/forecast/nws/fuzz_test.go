package nws_test

import (
	"strings"
	"testing"
	"time"

	"frostgate/scheduler/forecast/nws"

	"github.com/stretchr/testify/require"
)

func FuzzDuration(f *testing.F) {
	for _, seed := range []string{"PT1H", "P7DT21H", "P1M", "PT99999H", "P", "PT", ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		d, err := nws.ParseDuration(text)
		if err == nil {
			require.True(t, d > 0 && d <= 31*24*time.Hour)
			require.True(t, strings.HasPrefix(text, "P"))
		}
	})
}

func FuzzInterval(f *testing.F) {
	for _, seed := range []string{"2027-01-14T18:00:00+00:00/PT6H", "NOW/PT1H", "2027-01-14T18:00:00Z/2027-01-14T19:00:00Z", "/", ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		from, to, err := nws.ParseInterval(text)
		if err == nil {
			require.True(t, to.After(from))
		}
	})
}

func FuzzWind(f *testing.F) {
	for _, seed := range []string{"4 km/h", "6 to 10 mph", "calm", "1e308 mph", "5 to 10 to 15 mph"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if v, err := nws.ParseWind(text); err == nil {
			require.GreaterOrEqual(t, v, 0.0)
		}
	})
}

// Whatever comes in, there is no panic, no hour out of order and no value that
// weather can't have.
func FuzzGrid(f *testing.F) {
	f.Add([]byte(fixture(f, "grid.json")))
	f.Add([]byte(`{"properties":{"updateTime":"2027-01-14T20:41:17+00:00","temperature":{"uom":"unit:degC","values":[{"validTime":"2027-01-14T20:00:00+00:00/P30D","value":"1e3"}]}}}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		if issue, _, err := nws.ReadGrid(body, cell, now); err == nil {
			require.NoError(t, issue.Verify())
		}
	})
}

func FuzzHourly(f *testing.F) {
	f.Add([]byte(fixture(f, "hourly.json")))
	f.Fuzz(func(t *testing.T, body []byte) {
		if issue, err := nws.ReadHourly(body, cell, now); err == nil {
			require.NoError(t, issue.Verify())
		}
	})
}

func FuzzObservations(f *testing.F) {
	f.Add([]byte(fixture(f, "observations.json")))
	f.Fuzz(func(t *testing.T, body []byte) {
		if issue, err := nws.ReadObservations(body, cell, now); err == nil {
			require.NoError(t, issue.Verify())
		}
	})
}

func FuzzPlaces(f *testing.F) {
	f.Add([]byte(fixture(f, "point.json")))
	f.Add([]byte(fixture(f, "stations.json")))
	f.Fuzz(func(t *testing.T, body []byte) {
		if grid, _, err := nws.ReadPoint(body); err == nil {
			require.Regexp(t, `^[A-Z]{3}/[0-9]+,[0-9]+$`, grid)
		}
		stations, err := nws.ReadStations(body, 42, -88, 220)
		if err == nil {
			for _, id := range stations {
				require.Regexp(t, `^[A-Z0-9]+$`, id)
			}
		}
	})
}

func FuzzAlerts(f *testing.F) {
	f.Add([]byte(fixture(f, "alerts.json")))
	f.Fuzz(func(t *testing.T, body []byte) {
		found, err := nws.ReadAlerts(body, []string{"ILZ105", "ILC043"}, 42, -88, now)
		if err != nil {
			return
		}
		ids := map[string]bool{}
		for _, w := range found {
			require.False(t, ids[w.ID], "one warning of each identity")
			ids[w.ID] = true
			require.True(t, w.EndsAt.IsZero() || w.EndsAt.After(now))
			require.NotContains(t, w.Headline, "\n")
		}
	})
}

func BenchmarkGrid(b *testing.B) {
	body := []byte(fixture(b, "grid.json"))
	b.SetBytes(int64(len(body)))
	for b.Loop() {
		if _, _, err := nws.ReadGrid(body, cell, now); err != nil {
			b.Fatal(err)
		}
	}
}
