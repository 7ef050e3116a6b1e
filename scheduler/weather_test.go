package scheduler_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/metno"
	"frostgate/scheduler/forecast/nws"
	"frostgate/scheduler/forecast/openmeteo"
	"frostgate/scheduler/forecast/replay"

	"github.com/stretchr/testify/require"
)

// allServices has a replica read every public service that there is.
func (w *world) allServices(cfg *scheduler.Config) {
	client := forecast.NewClient(forecast.ClientConfig{Agent: "frostgate-test (test@example.org)", PlainHTTP: true, Now: w.clock.Now, Header: 2 * time.Minute, Idle: time.Minute})
	us, err := nws.New(nws.Config{Client: client, BaseURL: w.address, Now: w.clock.Now})
	require.NoError(w.t, err)
	columns, err := openmeteo.New(openmeteo.Config{Client: client, BaseURL: w.address, Now: w.clock.Now})
	require.NoError(w.t, err)
	spread, err := openmeteo.NewEnsemble(openmeteo.Config{Client: client, BaseURL: w.address, Now: w.clock.Now})
	require.NoError(w.t, err)
	norway, err := metno.New(metno.Config{Client: client, BaseURL: w.address, Now: w.clock.Now})
	require.NoError(w.t, err)
	cfg.Sources = []forecast.Source{us.Forecast(), us.Stations(), columns, spread, norway}
	cfg.Warners = []forecast.Warner{us.Alerts()}
}

// sources are those that have an issue for the site.
func (w *world) sources() map[string]db.SiteIssue {
	w.t.Helper()
	issues, err := w.db.LatestIssues(w.t.Context(), w.site.ID)
	require.NoError(w.t, err)
	found := map[string]db.SiteIssue{}
	for _, i := range issues {
		found[i.Source] = i
	}
	return found
}

func (w *world) document(p db.Pour) rules.Assessment {
	w.t.Helper()
	a, err := w.db.LatestAssessment(w.t.Context(), everything, p.ID)
	require.NoError(w.t, err)
	var document rules.Assessment
	require.NoError(w.t, json.Unmarshal(a.Document, &document))
	return document
}

func TestAllServicesMakeOneWeather(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	s := w.start(w.allServices)
	p := w.pour(s, "slab", wednesday.Add(42*time.Hour))
	w.until("all services have answered", 20*time.Second, func() bool { return len(w.sources()) == 5 })
	require.Equal(t, "observed", w.sources()[nws.StationsName].Kind)
	w.tx(func(tx *db.Tx) error { return s.EnqueueAssess(t.Context(), tx, p.ID) })
	var a db.Assessment
	w.until("assessed on all that have something to give", 15*time.Second, func() bool {
		var err error
		a, err = w.db.LatestAssessment(t.Context(), everything, p.ID)
		found := w.sources()
		return err == nil && slices.Contains(a.IssueIDs, found[nws.ForecastName].ID) && // air and wind
			slices.Contains(a.IssueIDs, found[openmeteo.Name].ID) && // sunlight and snow
			slices.Contains(a.IssueIDs, found[openmeteo.EnsembleName].ID) && // spread
			slices.Contains(a.IssueIDs, found[nws.StationsName].ID) // the past
	})
	require.Equal(t, "source", w.document(w.stored(p.ID)).Chance.Spread)
	for _, id := range a.IssueIDs {
		body, err := w.db.IssueBody(t.Context(), id)
		require.NoError(t, err)
		require.NotEmpty(t, body)
	}
}

// A service that fails for one cell for good: the others stand in, the cell is
// asked ever less, and no other site suffers.
func TestNextSourceStandsIn(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.weather.Fail(replay.NWS, replay.Only("/gridpoints/", replay.Say(http.StatusInternalServerError, "application/problem+json",
		`{"type":"https://api.weather.gov/problems/UnexpectedProblem","title":"Unexpected Problem","detail":"An unexpected problem has occurred."}`)))
	s := w.start(w.allServices)
	p := w.pour(s, "slab", wednesday.Add(42*time.Hour))
	w.verdict(p.ID, rules.Move)
	require.NotContains(t, w.sources(), nws.ForecastName)
	for range 5 {
		w.clock.Forward(30 * time.Minute)
		require.NoError(t, s.ClaimDue(t.Context()))
		time.Sleep(200 * time.Millisecond)
	}
	w.until("failures are counted", 10*time.Second, func() bool {
		return w.count("select failures from cells where source = 'nws'") >= 3
	})
	require.Equal(t, rules.Move, w.stored(p.ID).Verdict)
	var next time.Time
	require.NoError(t, w.db.Pool().QueryRow(t.Context(), "select next_due_at from cells where source = 'nws'").Scan(&next))
	require.Greater(t, next.Sub(w.clock.Now()), 2*time.Minute, "asked ever less")
}

// A site that a service does not cover is left alone by it, without an alarm.
func TestSiteThatIsNotCovered(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var far db.Site
	w.tx(func(tx *db.Tx) (err error) {
		far, err = w.newSite(tx, "Far", 60, 10)
		if err != nil {
			return err
		}
		d := w.draft("far", wednesday.Add(42*time.Hour))
		d.SiteID = far.ID
		_, err = tx.CreatePour(t.Context(), everything, d)
		return err
	})
	s := w.start(w.allServices)
	w.until("the others answer", 20*time.Second, func() bool {
		issues, err := w.db.LatestIssues(t.Context(), far.ID)
		return err == nil && len(issues) == 3
	})
	asked := w.weather.Answers(replay.NWS)
	w.clock.Forward(time.Hour)
	require.NoError(t, s.ClaimDue(t.Context()))
	require.NoError(t, s.Watch(t.Context()))
	require.Equal(t, asked, w.weather.Answers(replay.NWS), "not asked again for a month")
	require.Zero(t, w.count("select count(*) from alerts where source is not null"))
}

func TestWarningsComeAndGo(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	start := wednesday.Add(42 * time.Hour)
	storm := forecast.Warning{
		ID: "urn:1", Event: "Blizzard Warning", Severity: "Extreme", Headline: "Blizzard <b>Warning</b>",
		OnsetAt: start.Add(-2 * time.Hour).Truncate(time.Hour), EndsAt: start.Add(10 * time.Hour).Truncate(time.Hour), SentAt: wednesday.Truncate(time.Hour),
	}
	warned := func(on ...forecast.Warning) {
		p := place("Mill Road", 42, -88, 20)
		p.Warnings = on
		w.weather.SetPlaces(p)
	}
	known := func() []db.Warning {
		list, err := w.db.Warnings(t.Context(), w.clock.Now(), w.site.ID)
		require.NoError(t, err)
		return list
	}
	warned(storm)
	s := w.start(w.allServices)
	p := w.pour(s, "slab", start)
	again := func() {
		w.clock.Forward(6 * time.Minute)
		require.NoError(t, s.Warn(t.Context()))
	}
	again()
	require.Len(t, known(), 1)
	require.Equal(t, "Blizzard <b>Warning</b>", known()[0].Headline, "kept as it is; pages escape it")
	w.until("the warning counts", 15*time.Second, func() bool { return w.stored(p.ID).WorstRule == "weather.warning" })

	w.weather.Fail(replay.NWS, replay.Only("/alerts", replay.Say(200, "application/geo+json", `{"type":"FeatureCollection"}`)))
	again()
	require.Len(t, known(), 1, "silence is no all-clear")
	require.Equal(t, 1, w.count("select failures from cells where source = 'nws-alerts'"))

	w.weather.Fail(replay.NWS, nil)
	warned()
	again()
	require.Empty(t, known())
	w.until("it counts no more", 15*time.Second, func() bool { return w.stored(p.ID).WorstRule != "weather.warning" })
}

// A feed of warnings that fails for longer than it may is told like any source
// that went quiet, and the assessments say that warnings are not known.
func TestSilenceOfWarningsIsTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	s := w.start(w.allServices)
	p := w.pour(s, "slab", wednesday.Add(42*time.Hour))
	w.until("assessed", 20*time.Second, func() bool { return len(w.sources()) == 5 && w.stored(p.ID).Verdict == rules.Place })
	require.NoError(t, s.Warn(t.Context()))
	notKnown := func() bool {
		return slices.ContainsFunc(w.document(p).Findings, func(f rules.Finding) bool {
			return f.Rule == "weather.warning" && strings.Contains(f.Sentence, "not known")
		})
	}
	told := func() []string {
		require.NoError(t, s.Watch(t.Context()))
		var told []string
		for _, a := range w.alerts() {
			if a.Source != nil && a.Condition == "raised" {
				told = append(told, *a.Source)
			}
		}
		return told
	}
	again := func(d time.Duration) {
		w.clock.Forward(d)
		require.NoError(t, s.Warn(t.Context()))
		w.tx(func(tx *db.Tx) error { return s.EnqueueAssess(t.Context(), tx, p.ID) })
	}
	again(6 * time.Minute)
	w.until("warnings are known: there are none", 15*time.Second, func() bool { return !notKnown() })
	require.Empty(t, told())

	w.weather.Fail(replay.NWS, replay.Only("/alerts", replay.Refuse(http.StatusServiceUnavailable, "X", "")))
	again(40 * time.Minute)
	require.Empty(t, told(), "not for long yet")
	again(40 * time.Minute)
	require.Equal(t, []string{nws.AlertsName}, told())
	w.until("an assessment says so", 15*time.Second, notKnown)

	w.weather.Fail(replay.NWS, nil)
	again(20 * time.Minute)
	require.Empty(t, told())
	w.until("and no longer", 15*time.Second, func() bool { return !notKnown() })
}

// All services silent for a day and for a week: no alert is lost, none is
// cleared, and old weather never passes for new.
func TestSilenceClearsNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew")
	s := w.start(w.allServices)
	p := w.pour(s, "slab", wednesday.Add(8*24*time.Hour))
	w.verdict(p.ID, rules.Move)
	w.until("alert", 15*time.Second, func() bool { return len(w.alerts()) == 1 })
	for _, service := range []string{replay.OpenMeteo, replay.NWS, replay.MetNorway} {
		w.weather.Fail(service, replay.Reset)
	}
	look := func() {
		require.NoError(t, s.ClaimDue(t.Context()))
		require.NoError(t, s.Watch(t.Context()))
	}
	w.clock.Forward(24 * time.Hour)
	look()
	w.until("looked at again", 15*time.Second, func() bool { return w.clock.Now().Sub(*w.stored(p.ID).AssessedAt) < time.Hour })
	require.Equal(t, rules.Move, w.stored(p.ID).Verdict, "a day old: doubtful, used and said so")
	require.Contains(t, fmt.Sprint(w.findings(p)), "weather.stale")

	w.clock.Forward(6 * 24 * time.Hour)
	look()
	w.verdict(p.ID, rules.Unscored)
	for _, a := range w.alerts() {
		require.Equal(t, "raised", a.Condition)
		if a.PourID != nil {
			require.False(t, a.Verified, "it stands, marked as not verified")
		}
	}
	require.Zero(t, w.count("select count(*) from alert_transitions where event = 'cleared'"))
	require.NotZero(t, w.count("select count(*) from alerts where source is not null"), "the silence itself is told")

	for _, service := range []string{replay.OpenMeteo, replay.NWS, replay.MetNorway} {
		w.weather.Fail(service, nil)
	}
	w.mild()
	w.clock.Forward(7 * time.Hour) // cells that failed for days are asked every six hours
	look()
	w.until("scored again", 20*time.Second, func() bool { return w.stored(p.ID).Verdict != rules.Unscored })
}

func (w *world) findings(p db.Pour) (ids []string) {
	for _, f := range w.document(p).Findings {
		ids = append(ids, f.Rule)
	}
	return ids
}

// What was forecast 2 degrees too warm is found so, by lead, once for each hour.
func TestForecastsAreComparedWithMeasurements(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	p := place("Mill Road", 42, -88, 0)
	told := p.Hour
	p.Observed = func(at time.Time) forecast.Hour {
		h := told(at)
		h.AirTempC, h.DewPointC = new(*h.AirTempC-2), new(*h.DewPointC-2)
		return h
	}
	w.weather.SetPlaces(p)
	s := w.start(w.allServices)
	w.pour(s, "slab", wednesday.Add(100*time.Hour))
	w.until("all services have answered", 20*time.Second, func() bool { return len(w.sources()) == 5 })
	w.clock.Forward(30 * time.Hour)
	require.NoError(t, s.ClaimDue(t.Context()))
	w.until("stations have reported", 15*time.Second, func() bool {
		return w.clock.Now().Sub(w.sources()[nws.StationsName].IssuedAt) < time.Hour
	})
	require.NoError(t, s.Verify(t.Context()))
	require.NoError(t, s.Verify(t.Context()), "each hour counts once")
	table, err := w.db.LeadErrors(t.Context(), nws.ForecastName)
	require.NoError(t, err)
	pairs := map[int]int64{}
	for _, e := range table {
		l := forecast.LeadError{Variable: e.Variable, LeadH: e.LeadH, N: e.N, Sum: e.Sum, SumSq: e.SumSq}
		if e.Variable == "air_temp_c" {
			pairs[e.LeadH] = e.N
			require.InDelta(t, 2, l.Bias(), 0.06)
			require.InDelta(t, 2, l.RMS(), 0.06)
		} else {
			require.InDelta(t, 0, l.RMS(), 0.1)
		}
	}
	// Issued at 20:10 on Wednesday; compared at 02:10 on Friday, three hours after
	// the last hour and for the first time, so for a day: 23:00 to 02:00 are up to
	// 6 h ahead, 21:00 and 22:00 on Thursday more than 24 h.
	require.Equal(t, map[int]int64{6: 4, 12: 6, 18: 6, 24: 6, 30: 2}, pairs)
}

// An older issue that arrives after a newer one never takes its place.
func TestOlderIssueTakesNobodysPlace(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	s := w.start(nil)
	w.pour(s, "slab", wednesday.Add(42*time.Hour))
	w.until("weather", 15*time.Second, func() bool { return len(w.sources()) == 1 })
	newest := w.sources()[openmeteo.Name].IssuedAt
	w.cold()
	w.weather.SetIssued(newest.Add(-7 * time.Hour))
	w.clock.Forward(time.Hour)
	require.NoError(t, s.ClaimDue(t.Context()))
	time.Sleep(time.Second)
	require.Equal(t, newest, w.sources()[openmeteo.Name].IssuedAt)
}

// The database refuses the write after a good answer: nothing that was known is
// lost, and it is written later.
func TestRefusedWriteIsMadeUpFor(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	s := w.start(nil)
	p := w.pour(s, "slab", wednesday.Add(42*time.Hour))
	w.until("weather", 15*time.Second, func() bool { return len(w.sources()) == 1 })
	before := w.sources()[openmeteo.Name]
	_, err := w.db.Pool().Exec(t.Context(), `alter table forecast_hours add constraint no_more check (air_temp_c > 1000) not valid`)
	require.NoError(t, err)
	w.cold()
	w.clock.Forward(90 * time.Minute)
	w.weather.SetIssued(w.clock.Now())
	w.refresh(s)
	w.until("the job has failed", 20*time.Second, func() bool {
		return w.count("select count(*) from river_job where kind = 'pull' and cardinality(errors) > 0") > 0
	})
	require.Equal(t, before.ID, w.sources()[openmeteo.Name].ID)
	_, err = w.db.Pool().Exec(t.Context(), `alter table forecast_hours drop constraint no_more`)
	require.NoError(t, err)
	w.until("written after all", 30*time.Second, func() bool { return w.sources()[openmeteo.Name].ID != before.ID })
	w.verdict(p.ID, rules.Move)
}

// Two thousand sites in 1,500 cells: each cell is asked once an hour and no site
// twice.
func TestSitesShareCells(t *testing.T) {
	src, err := openmeteo.New(openmeteo.Config{})
	require.NoError(t, err)
	keys := map[string]bool{}
	for i := range 2000 {
		n := i * 3 / 4 // every fourth site lies where another does
		cell, err := src.Locate(t.Context(), 40+0.1*float64(n%50), -90+0.1*float64(n/50), 200)
		require.NoError(t, err)
		keys[cell.Key] = true
	}
	require.Equal(t, 1500, len(keys)) //nolint:testifylint // a failure need not print them all
	calls := (len(keys) + src.About().Batch - 1) / src.About().Batch
	require.LessOrEqual(t, calls, 60)
	require.True(t, strings.HasPrefix(src.About().Link, "https://"))
}
