package scheduler_test

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/local"
	"frostgate/scheduler/forecast/metno"
	"frostgate/scheduler/forecast/nws"
	"frostgate/scheduler/forecast/openmeteo"
	"frostgate/scheduler/forecast/replay"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"
)

// A faultRig is a replica that does nothing by itself, on services that can be
// made to fail, with a pour at each of two sites. Its clock moves an hour with
// each try.
type faultRig struct {
	*world
	s        *scheduler.Scheduler
	client   *forecast.Client
	source   map[string]forecast.Source // by name
	alerts   forecast.Warner
	registry *prometheus.Registry
	log      *lines
	far      db.Site
	slab     db.Pour
}

// The services with the names of their sources, and where their weather lies.
var (
	services = []string{replay.OpenMeteo, replay.NWS, replay.MetNorway, replay.Feed}
	sourceOf = map[string]string{replay.OpenMeteo: openmeteo.Name, replay.NWS: nws.ForecastName, replay.MetNorway: metno.Name, replay.Feed: local.Name}
	pathOf   = map[string]string{replay.OpenMeteo: "/v1/", replay.NWS: "/gridpoints/", replay.MetNorway: "/weatherapi/", replay.Feed: "/feed/place"}
)

// lines is a log that can be read.
type lines struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *lines) count(part string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.text.String(), part)
}

func newFaultRig(t *testing.T) *faultRig {
	t.Helper()
	f := &faultRig{world: newWorld(t), source: map[string]forecast.Source{}, registry: prometheus.NewRegistry(), log: &lines{}}
	f.tx(func(tx *db.Tx) (err error) {
		if f.far, err = f.newSite(tx, "Far field", 43, -89); err != nil {
			return err
		}
		near := f.draft("slab", wednesday.Add(15*24*time.Hour))
		if f.slab, err = tx.CreatePour(t.Context(), everything, near); err != nil {
			return err
		}
		south, err := tx.CreateCrew(t.Context(), everything, db.Crew{Name: "South", DayStartsMin: 420, DayEndsMin: 1080, Days: []int16{1, 2, 3, 4, 5, 6}})
		if err != nil {
			return err
		}
		away := f.draft("far slab", wednesday.Add(15*24*time.Hour))
		away.SiteID, away.CrewID = f.far.ID, south.ID
		_, err = tx.CreatePour(t.Context(), everything, away)
		return err
	})
	budget := scheduler.NewBudget(f.db)
	f.client = f.newClient(budget)
	us, err := nws.New(nws.Config{Client: f.client, BaseURL: f.address, Now: f.clock.Now})
	require.NoError(t, err)
	columns, err := openmeteo.New(openmeteo.Config{Client: f.client, BaseURL: f.address, Now: f.clock.Now})
	require.NoError(t, err)
	norway, err := metno.New(metno.Config{Client: f.client, BaseURL: f.address, Now: f.clock.Now})
	require.NoError(t, err)
	feed, err := local.New(local.Config{Client: f.client, URL: f.address + "/feed", Now: f.clock.Now})
	require.NoError(t, err)
	f.alerts = us.Alerts()
	sources := []forecast.Source{feed, us.Forecast(), us.Stations(), columns, norway}
	for _, s := range sources {
		f.source[s.About().Name] = s
	}
	f.s, err = scheduler.New(scheduler.Config{
		DB: f.db, Clock: f.clock.Now, Budget: budget, Sources: sources, Warners: []forecast.Warner{f.alerts}, Registerer: f.registry, Members: 3,
		Log: slog.New(slog.NewTextHandler(f.log, &slog.HandlerOptions{Level: slog.LevelWarn})),
	})
	require.NoError(t, err)
	f.newRun()
	for name := range f.source {
		require.NoError(t, f.s.PullNow(t.Context(), name))
		require.NotNil(t, f.cell(name).LatestIssueID, name)
	}
	return f
}

// calm mends all services, opens their host and puts the pours ahead of the
// clock, for the next row.
func (f *faultRig) calm() {
	f.t.Helper()
	for _, service := range services {
		f.weather.Fail(service, nil)
	}
	for _, sql := range []string{
		"update hosts set closed_until = null, breaker = 'shut', calls = 0, failures = 0", "update cells set failures = 0, last_error = ''",
	} {
		_, err := f.db.Pool().Exec(f.t.Context(), sql)
		require.NoError(f.t, err)
	}
	f.slab.StartsAt = f.clock.Now().Add(15 * 24 * time.Hour)
	_, err := f.db.Pool().Exec(f.t.Context(), "update pours set starts_at = $1::timestamptz, occupied_until = $1::timestamptz + interval '9 hours'", f.slab.StartsAt)
	require.NoError(f.t, err)
}

// newClient has short patience for silence, and enough for a busy machine to
// begin an answer.
func (f *faultRig) newClient(budget *scheduler.Budget) *forecast.Client {
	client := forecast.NewClient(forecast.ClientConfig{
		Agent: "frostgate-test (test@example.org)", PlainHTTP: true, Now: f.clock.Now, Turn: budget.Turn, Observe: budget.Observe,
		TLS: 3 * time.Second, Header: time.Minute, Idle: 2 * time.Second,
	})
	f.t.Cleanup(client.Close)
	return client
}

// newRun is new weather of all services.
func (f *faultRig) newRun() {
	near, far := place("Mill Road", 42, -88, 0), place("Far field", 43, -89, 0)
	f.weather.SetPlaces(near, far)
}

// cell is that of the first site.
func (f *faultRig) cell(source string) db.Cell {
	f.t.Helper()
	cells, err := f.db.SiteCells(f.t.Context(), f.site.ID)
	require.NoError(f.t, err)
	i := slices.IndexFunc(cells, func(c db.Cell) bool { return c.Source == source })
	require.GreaterOrEqual(f.t, i, 0, "the site has a cell of %s", source)
	return cells[i]
}

// due makes the cells of a source due, whatever it has said.
func (f *faultRig) due(source string) {
	f.t.Helper()
	_, err := f.db.Pool().Exec(f.t.Context(), "update cells set next_due_at = $1, expires_at = null where source = $2", f.clock.Now().Add(-time.Second), source)
	require.NoError(f.t, err)
}

// ask pulls a source an hour later, with a fault of its service where its weather
// lies.
func (f *faultRig) ask(service string, fault replay.Fault) db.Cell {
	f.t.Helper()
	if fault != nil {
		fault = replay.Only(pathOf[service], fault)
	}
	f.weather.Fail(service, fault)
	defer f.weather.Fail(service, nil)
	f.clock.Forward(61 * time.Minute)
	f.newRun()
	f.due(sourceOf[service])
	require.NoError(f.t, f.s.PullNow(f.t.Context(), sourceOf[service]))
	return f.cell(sourceOf[service])
}

// well requires that a service gives new weather.
func (f *faultRig) well(service string) db.Cell {
	f.t.Helper()
	before := f.cell(sourceOf[service])
	after := f.ask(service, nil)
	require.Empty(f.t, after.LastError, service)
	require.NotEqual(f.t, before.LatestIssueID, after.LatestIssueID, "%s has recovered", service)
	return after
}

// kept is what has to come of most faults: the last good weather stays, the
// failure is known by its reason, the question is put again within so long and
// not before; and once the fault is gone there is new weather.
func (f *faultRig) kept(service string, fault replay.Fault, says string, again ...time.Duration) {
	f.t.Helper()
	before := f.well(service)
	after := f.ask(service, fault)
	require.Equal(f.t, before.LatestIssueID, after.LatestIssueID, service)
	require.Equal(f.t, 1, after.Failures, service)
	require.Contains(f.t, after.LastError, says, service)
	require.Less(f.t, len(after.LastError), 501, service)
	least, most := time.Duration(0), 2*time.Minute
	if len(again) > 0 {
		least, most = again[0]-2*time.Second, again[0]+2*time.Second
	}
	pause := after.NextDueAt.Sub(f.clock.Now())
	require.Greater(f.t, pause, least-time.Second, service)
	require.LessOrEqual(f.t, pause, most, service)
	_, err := f.db.Pool().Exec(f.t.Context(), "update hosts set closed_until = null") // the pause of the host is over
	require.NoError(f.t, err)
	f.well(service)
}

// keptByAll does so for all services.
func (f *faultRig) keptByAll(fault replay.Fault, says string, again ...time.Duration) {
	f.t.Helper()
	for _, service := range services {
		f.kept(service, fault, says, again...)
	}
}

// taken is a fault that spoils at most a part: there is a new issue, all of whose
// values are possible. It gives its hours.
func (f *faultRig) taken(service string, fault replay.Fault) (db.Issue, []db.Hour) {
	f.t.Helper()
	before := f.well(service)
	after := f.ask(service, fault)
	require.Empty(f.t, after.LastError, service)
	require.NotEqual(f.t, before.LatestIssueID, after.LatestIssueID, service)
	issue, err := f.db.Issue(f.t.Context(), *after.LatestIssueID)
	require.NoError(f.t, err)
	hours, err := f.db.Hours(f.t.Context(), issue.ID, time.Time{}, time.Time{})
	require.NoError(f.t, err)
	whole := forecast.Issue{}
	for i := range hours {
		whole.Hours = append(whole.Hours, scheduler.HourOf(&hours[i]))
	}
	require.NoError(f.t, whole.Verify(), service)
	return issue, hours
}

// hour is the hour so many after the present one.
func (f *faultRig) hour(hours []db.Hour, ahead int) forecast.Hour {
	f.t.Helper()
	at := f.clock.Now().Truncate(time.Hour).Add(time.Duration(ahead) * time.Hour)
	i := slices.IndexFunc(hours, func(h db.Hour) bool { return h.At.Equal(at) })
	require.GreaterOrEqual(f.t, i, 0, "there is an hour at %s", at)
	return scheduler.HourOf(&hours[i])
}

// good is the weather that the services have for an hour so many ahead.
func (f *faultRig) good(ahead int) forecast.Hour {
	return place("", 42, -88, 0).Hour(f.clock.Now().Truncate(time.Hour).Add(time.Duration(ahead) * time.Hour))
}

// alarmed lets a fault last until the source's weather is old, and requires that
// this is told, and told to be over.
func (f *faultRig) alarmed(service string, fault replay.Fault) {
	f.t.Helper()
	source := sourceOf[service]
	f.well(service)
	require.NoError(f.t, f.s.Watch(f.t.Context()))
	require.NotContains(f.t, f.raised(), source)
	f.clock.Forward(19 * time.Hour)
	f.ask(service, fault)
	require.NoError(f.t, f.s.Watch(f.t.Context()))
	require.Contains(f.t, f.raised(), source, "its silence is told")
	_, err := f.db.Pool().Exec(f.t.Context(), "update hosts set closed_until = null")
	require.NoError(f.t, err)
	f.well(service)
	require.NoError(f.t, f.s.Watch(f.t.Context()))
	require.NotContains(f.t, f.raised(), source)
}

func (f *faultRig) raised() (sources []string) {
	for _, a := range f.world.alerts() {
		if a.Source != nil && a.Condition == "raised" {
			sources = append(sources, *a.Source)
		}
	}
	return sources
}

// gauge reads a measure of a host.
func (f *faultRig) gauge(name string) float64 {
	f.t.Helper()
	families, err := f.registry.Gather()
	require.NoError(f.t, err)
	for _, family := range families {
		if family.GetName() == name {
			return family.GetMetric()[0].GetGauge().GetValue()
		}
	}
	require.Fail(f.t, "no measure", name)
	return 0
}

// edit changes an answer by its members.
func edit(change func(body map[string]any)) replay.Fault {
	return replay.Edit(func(text []byte) []byte {
		var body map[string]any
		d := json.NewDecoder(bytes.NewReader(text))
		d.UseNumber()
		if err := d.Decode(&body); err != nil {
			panic(err)
		}
		change(body)
		changed, err := json.Marshal(body)
		if err != nil {
			panic(err)
		}
		return changed
	})
}

// in goes down a path of members.
func in(body map[string]any, path ...string) map[string]any {
	for _, name := range path {
		body = body[name].(map[string]any)
	}
	return body
}

// series edits the rows of an answer that has a list of them: the feed's hours,
// MET's entries, the hourly periods.
func series(change func(rows []any) []any, path ...string) replay.Fault {
	return edit(func(body map[string]any) {
		parent := in(body, path[:len(path)-1]...)
		name := path[len(path)-1]
		parent[name] = change(parent[name].([]any))
	})
}

var rowsOf = map[string][]string{replay.Feed: {"hours"}, replay.MetNorway: {"properties", "timeseries"}}

// columns edits all the arrays of an Open-Meteo answer alike. The rig asks for
// two points.
func columnsOf(change func(column []any) []any) replay.Fault {
	return points(func(all []any) []any {
		for _, p := range all {
			hourly := in(p.(map[string]any), "hourly")
			for name := range hourly {
				hourly[name] = change(hourly[name].([]any))
			}
		}
		return all
	})
}

// points edits the list of points, or the only one.
func points(change func(all []any) []any) replay.Fault {
	return replay.Edit(func(text []byte) []byte {
		var all []any
		d := json.NewDecoder(bytes.NewReader(text))
		d.UseNumber()
		if text[0] != '[' {
			var one any
			if err := d.Decode(&one); err != nil {
				panic(err)
			}
			all = []any{one}
		} else if err := d.Decode(&all); err != nil {
			panic(err)
		}
		all = change(all)
		var body any = all
		if len(all) == 1 && text[0] != '[' {
			body = all[0]
		}
		changed, err := json.Marshal(body)
		if err != nil {
			panic(err)
		}
		return changed
	})
}

// rows edits the rows of the feed, of MET Norway and the columns of Open-Meteo
// alike.
func rows(service string, change func(rows []any) []any) replay.Fault {
	if service == replay.OpenMeteo {
		return columnsOf(change)
	}
	return series(change, rowsOf[service]...)
}

var listed = []string{replay.OpenMeteo, replay.MetNorway, replay.Feed}

// Where each service says how much of the sky is covered.
var cloudText = map[string]*regexp.Regexp{
	replay.OpenMeteo: regexp.MustCompile(`("cloud_cover":\[)([^\]]*)(\])`),
	replay.NWS:       regexp.MustCompile(`("skyCover":\{"uom":"wmoUnit:percent","values":\[)(.*?)(\]\})`),
	replay.MetNorway: regexp.MustCompile(`("cloud_area_fraction":)([-0-9.]+)()`),
	replay.Feed:      regexp.MustCompile(`("cloud":)([-0-9.]+)()`),
}

var (
	anyNumber = regexp.MustCompile(`[^,]+`)
	anyValue  = regexp.MustCompile(`"value":[-0-9.]+`)
)

// cloud puts a text in place of every value of the cloud.
func cloud(service, text string) replay.Fault {
	return replay.Edit(func(body []byte) []byte {
		return cloudText[service].ReplaceAllFunc(body, func(found []byte) []byte {
			part := cloudText[service].FindSubmatch(found)
			values := []byte(text)
			switch service {
			case replay.OpenMeteo:
				values = anyNumber.ReplaceAllLiteral(part[2], []byte(text))
			case replay.NWS:
				values = anyValue.ReplaceAllLiteral(part[2], []byte(`"value":`+text))
			}
			return slices.Concat(part[1], values, part[3])
		})
	})
}

// sky puts segments in place of the national service's cloud.
func sky(segments string) replay.Fault {
	return replay.Edit(func(body []byte) []byte {
		return cloudText[replay.NWS].ReplaceAll(body, []byte("${1}"+segments+"${3}"))
	})
}

// member puts a value into the feed's hour so many ahead.
func (f *faultRig) member(ahead int, values map[string]any) replay.Fault {
	return series(func(rows []any) []any {
		at := f.clock.Now().Truncate(time.Hour).Add(time.Duration(ahead) * time.Hour).UTC().Format(time.RFC3339)
		for _, r := range rows {
			if row := r.(map[string]any); row["at"] == at {
				maps.Copy(row, values)
			}
		}
		return rows
	}, "hours")
}

// fails answers with a problem as the national service words it.
func fails(status int, code string) replay.Fault {
	return replay.Say(status, "application/problem+json", `{"type":"https://api.weather.gov/problems/`+code+`","title":"`+code+`","detail":"Details of it"}`)
}

// unless spares questions whose address holds a text.
func unless(part string, fault replay.Fault) replay.Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		if strings.Contains(r.URL.Path, part) {
			good.ServeHTTP(w, r)
		} else {
			fault(w, r, good)
		}
	}
}

// verdictNow assesses the slab.
func (f *faultRig) verdictNow() rules.Assessment {
	f.t.Helper()
	require.NoError(f.t, f.s.AssessNow(context.Background(), f.slab.ID))
	return f.document(f.slab)
}
