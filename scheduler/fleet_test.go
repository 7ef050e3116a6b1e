package scheduler_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"
	"frostgate/scheduler"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/metno"
	"frostgate/scheduler/forecast/nws"
	"frostgate/scheduler/forecast/openmeteo"

	"github.com/stretchr/testify/require"
)

// A simulated clock stands still until somebody waits.
type simulated struct {
	mu sync.Mutex
	at time.Time
}

func (s *simulated) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.at
}

func (s *simulated) Forward(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at = s.at.Add(d)
}

func (s *simulated) to(at time.Time) {
	if d := at.Sub(s.Now()); d > 0 {
		s.Forward(d)
	}
}

func (s *simulated) sleep(_ context.Context, d time.Duration) error {
	s.Forward(d)
	return nil
}

// A crowd of services answers for any place with one day of weather, so that two
// thousand sites cost little, and notes when it was asked for what.
type crowd struct {
	clock *simulated

	mu    sync.Mutex
	asked []question
}

type question struct {
	at        time.Time
	kind, key string
	points    int
}

const crowdHours = 26

func (c *crowd) note(kind, key string, points int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.asked = append(c.asked, question{c.clock.Now(), kind, key, points})
}

// between are the questions of a kind from a time to before another.
func (c *crowd) between(kind string, from, to time.Time) []question {
	c.mu.Lock()
	defer c.mu.Unlock()
	var found []question
	for _, q := range c.asked {
		if q.kind == kind && !q.at.Before(from) && q.at.Before(to) {
			found = append(found, q)
		}
	}
	return found
}

func (c *crowd) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	now := c.clock.Now().UTC()
	hour := now.Truncate(time.Hour)
	w.Header().Set("Date", now.Format(http.TimeFormat))
	w.Header().Set("Content-Type", "application/json")
	part := strings.Split(strings.TrimPrefix(r.URL.Path, "/"), "/")
	issued := hour.Add(-time.Hour)
	run := now.Truncate(6 * time.Hour) // of the American global model
	var body any
	switch {
	case part[0] == "points":
		c.note("points", part[1], 1)
		body = crowdPoint(part[1])
	case part[0] == "gridpoints" && len(part) > 3:
		c.note("list", part[2], 1)
		body = crowdList(cellNumber(part[2]))
	case part[0] == "gridpoints":
		c.note("grid", part[2], 1)
		w.Header().Set("Cache-Control", "public, max-age=3600, s-maxage=3600")
		body = crowdGrid(part[2], hour, issued)
	case part[0] == "stations":
		c.note("stations", part[1], 1)
		w.Header().Set("Cache-Control", "public, max-age=300, s-maxage=300")
		body = crowdReports(hour)
	case part[0] == "alerts":
		c.note("alerts", "", 1)
		body = map[string]any{"type": "FeatureCollection", "features": []any{}}
	case part[0] == "data":
		c.note("run", part[1], 1)
		body = map[string]any{"last_run_availability_time": run.Unix()}
	case part[0] == "v1":
		points := strings.Split(r.URL.Query().Get("latitude"), ",")
		c.note(part[1], r.URL.Query().Get("latitude"), len(points))
		body = crowdColumns(r, points, hour)
	case part[0] == "weatherapi":
		q := r.URL.Query()
		c.note("series", q.Get("lat")+","+q.Get("lon"), 1)
		w.Header().Set("Expires", now.Add(31*time.Minute).Format(http.TimeFormat))
		body = crowdSeries(q.Get("lat"), q.Get("lon"), hour, issued)
	}
	_ = json.NewEncoder(w).Encode(body) // a client that went away asks again
}

// crowdPoint finds the cell of a place, by the same sum as settle.
func crowdPoint(place string) any {
	latitude, longitude, _ := strings.Cut(place, ",")
	lat, _ := strconv.ParseFloat(latitude, 64)
	lon, _ := strconv.ParseFloat(longitude, 64)
	cell := int(math.Round((lat-30)*10)) + 100*int(math.Round((lon+110)*10))
	return map[string]any{"properties": map[string]any{
		"type": "land", "gridId": "FRG", "gridX": cell, "gridY": 1, "forecastZone": fmt.Sprintf("https://x/ILZ%03d", cell%100),
	}}
}

func crowdList(cell int) any {
	var stations []any
	for i, id := range []string{fmt.Sprintf("KA%03d", cell%fleetStations), fmt.Sprintf("KB%03d", cell%7)} {
		stations = append(stations, map[string]any{
			"geometry":   map[string]any{"coordinates": []float64{-110 + 0.1*float64(cell/100), 30 + 0.1*float64(cell%100) + 0.01*float64(i)}},
			"properties": map[string]any{"stationIdentifier": id, "elevation": map[string]any{"unitCode": "wmoUnit:m", "value": 200}},
		})
	}
	return map[string]any{"type": "FeatureCollection", "features": stations}
}

// crowdGrid covers the whole country: where a cell lies is no matter here.
func crowdGrid(key string, hour, issued time.Time) any {
	layer := func(unit string, value float64) any {
		return map[string]any{"uom": "wmoUnit:" + unit, "values": []any{map[string]any{
			"validTime": fmt.Sprintf("%s/P1DT2H", hour.Format(time.RFC3339)), "value": value,
		}}}
	}
	return map[string]any{
		"id": key, "type": "Feature",
		"geometry": map[string]any{"type": "Polygon", "coordinates": [][][2]float64{{{-170, 10}, {-60, 10}, {-60, 75}, {-170, 75}, {-170, 10}}}},
		"properties": map[string]any{
			"updateTime": issued.Format(time.RFC3339), "elevation": map[string]any{"unitCode": "wmoUnit:m", "value": 200},
			"temperature": layer("degC", -5), "dewpoint": layer("degC", -9), "windSpeed": layer("km_h-1", 12), "skyCover": layer("percent", 50),
		},
	}
}

func crowdReports(hour time.Time) any {
	of := func(unit string, v float64) any {
		return map[string]any{"unitCode": "wmoUnit:" + unit, "value": v, "qualityControl": "V"}
	}
	return map[string]any{"type": "FeatureCollection", "features": []any{map[string]any{"properties": map[string]any{
		"timestamp": hour.Add(-8 * time.Minute).Format(time.RFC3339), "temperature": of("degC", -5), "dewpoint": of("degC", -9), "windSpeed": of("km_h-1", 12),
	}}}}
}

func crowdColumns(r *http.Request, points []string, hour time.Time) any {
	times := make([]int64, crowdHours)
	for i := range times {
		times[i] = hour.Add(time.Duration(i) * time.Hour).Unix()
	}
	units, columns := map[string]string{"time": "unixtime"}, map[string]any{"time": times}
	for name := range strings.SplitSeq(r.URL.Query().Get("hourly"), ",") {
		values := make([]float64, crowdHours)
		switch {
		case strings.HasPrefix(name, "temperature"):
			units[name] = "°C"
		case name == "dew_point_2m":
			units[name] = "°C"
			for i := range values {
				values[i] = -4
			}
		case strings.HasPrefix(name, "wind"):
			units[name] = "m/s"
		default:
			continue
		}
		columns[name] = values
	}
	lons := strings.Split(r.URL.Query().Get("longitude"), ",")
	all := make([]any, len(points))
	for i := range points {
		lat, _ := strconv.ParseFloat(points[i], 64)
		lon, _ := strconv.ParseFloat(lons[i], 64)
		p := map[string]any{"latitude": lat, "longitude": lon, "utc_offset_seconds": 0, "hourly_units": units, "hourly": columns}
		if i > 0 {
			p["location_id"] = i
		}
		all[i] = p
	}
	if len(all) == 1 {
		return all[0]
	}
	return all
}

func crowdSeries(latitude, longitude string, hour, issued time.Time) any {
	lat, _ := strconv.ParseFloat(latitude, 64)
	lon, _ := strconv.ParseFloat(longitude, 64)
	var entries []any
	for i := range crowdHours {
		entries = append(entries, map[string]any{"time": hour.Add(time.Duration(i) * time.Hour).Format(time.RFC3339), "data": map[string]any{
			"instant": map[string]any{"details": map[string]any{"air_temperature": -5, "relative_humidity": 70, "wind_speed": 3}},
		}})
	}
	return map[string]any{"geometry": map[string]any{"coordinates": []float64{lon, lat, 200}}, "properties": map[string]any{
		"meta":       map[string]any{"updated_at": issued.Format(time.RFC3339), "units": map[string]string{"air_temperature": "celsius", "relative_humidity": "%", "wind_speed": "m/s"}},
		"timeseries": entries,
	}}
}

// A fleet is 2,000 sites in 1,500 cells with one pour each, and a replica whose
// minutes the test makes pass.
type fleet struct {
	t     *testing.T
	clock *simulated
	crowd map[string]*crowd // by service: each on a host of its own
	db    *db.DB
	s     *scheduler.Scheduler
}

const (
	fleetSites    = 2000
	fleetCells    = 1500
	fleetStations = 300 // that these cells name
)

func newFleet(t *testing.T) *fleet {
	t.Helper()
	f := &fleet{t: t, clock: &simulated{at: wednesday.Truncate(time.Minute)}, crowd: map[string]*crowd{}}
	f.db = dbtest.Open(t, db.Config{Conn: dbtest.NewConn(t), Clock: f.clock.Now, MaxConns: 8})
	budget := scheduler.NewBudget(f.db)
	budget.SleepBy(f.clock.sleep)
	client := forecast.NewClient(forecast.ClientConfig{
		Agent: "frostgate-test (test@example.org)", PlainHTTP: true, Now: f.clock.Now, Turn: budget.Turn, Observe: budget.Observe,
	})
	t.Cleanup(client.Close)
	address := func(service string) string {
		f.crowd[service] = &crowd{clock: f.clock}
		srv := httptest.NewServer(f.crowd[service])
		t.Cleanup(srv.Close)
		return srv.URL
	}
	us, err := nws.New(nws.Config{Client: client, BaseURL: address("nws"), Now: f.clock.Now})
	require.NoError(t, err)
	columns, err := openmeteo.New(openmeteo.Config{Client: client, BaseURL: address("open-meteo"), Now: f.clock.Now})
	require.NoError(t, err)
	spread, err := openmeteo.NewEnsemble(openmeteo.Config{Client: client, BaseURL: address("open-meteo-ensemble"), Now: f.clock.Now})
	require.NoError(t, err)
	norway, err := metno.New(metno.Config{Client: client, BaseURL: address("met-norway"), Now: f.clock.Now})
	require.NoError(t, err)
	f.s, err = scheduler.New(scheduler.Config{
		DB: f.db, Clock: f.clock.Now, Log: testLog(t), Budget: budget, Sources: []forecast.Source{us.Forecast(), us.Stations(), columns, spread, norway},
		Warners: []forecast.Warner{us.Alerts()},
	})
	require.NoError(t, err)
	f.settle()
	return f
}

// settle stores the sites, each with a pour that starts in one to ten days, and
// the cells that they were found in. All cells are overdue since some hours.
func (f *fleet) settle() {
	f.t.Helper()
	exec := func(sql string, args ...any) {
		_, err := f.db.Pool().Exec(f.t.Context(), sql, args...)
		require.NoError(f.t, err)
	}
	exec(`create function fleet_now() returns timestamptz language sql as $$ select '` + f.clock.Now().Format(time.RFC3339) + `'::timestamptz $$`)
	exec(`create table fleet as select i, 'site ' || i as name, cell, 30 + 0.1 * (cell % 100) as lat, -110 + 0.1 * (cell / 100) as lon,
		array['FRG/' || cell || ',1', 'KA' || to_char(cell % $2::int, 'FM000') || ',KB' || to_char(cell % 7, 'FM000'),
			cell::text, cell::text, cell::text, 'ILZ' || to_char(cell % 100, 'FM000')] as keys
		from generate_series(0, $3::int - 1) i cross join lateral (select i % $1::int as cell) c`, fleetCells, fleetStations, fleetSites)
	exec(`create view fleet_cells as select f.*, source, key from fleet f cross join lateral unnest(
		array['nws', 'nws-stations', 'open-meteo', 'open-meteo-ensemble', 'met-norway', 'nws-alerts'], keys) v (source, key)`)
	exec(`insert into plants (id, created_at, updated_at, name) values (gen_random_uuid(), fleet_now(), fleet_now(), 'Quarry')`)
	exec(`insert into crews (id, created_at, updated_at, name, day_starts_min, day_ends_min, days, place_m3_h, stagger_min)
		select gen_random_uuid(), fleet_now(), fleet_now(), name, 420, 1080, '{1,2,3,4,5}', 0, 0 from fleet`)
	exec(`insert into mixes (id, created_at, updated_at, name, cement_type, cement_kg_m3, water_kg_m3, aggregate_kg_m3, fly_ash_kg_m3, slag_kg_m3, strength_mpa, slump_mm, air_pct)
		values (gen_random_uuid(), fleet_now(), fleet_now(), '4000', 'I/II', 332, 160, 1850, 0, 0, 27.6, 100, 6)`)
	exec(`insert into sites (id, created_at, updated_at, name, latitude, longitude, elevation_m, timezone, shade, terrain)
		select gen_random_uuid(), fleet_now(), fleet_now(), name, lat, lon, 200, 'UTC', 0, 'open' from fleet`)
	exec(`insert into cells (id, created_at, source, key, latitude, longitude, elevation_m, next_due_at)
		select distinct on (source, key) gen_random_uuid(), fleet_now(), source, key, lat, lon, 200, fleet_now() - (4 + random()) * interval '1 hour'
		from fleet_cells order by source, key`)
	exec(`insert into site_cells (site_id, source, cell_id, linked_at)
		select s.id, f.source, c.id, fleet_now() - f.i * interval '7 days' / $1::int
		from fleet_cells f join sites s using (name) join cells c using (source, key)`, fleetSites)
	exec(`insert into pours (id, created_at, updated_at, name, site_id, plant_id, crew_id, mix_id, element, thickness_mm, width_mm, height_mm, length_mm, area_m2,
			foam_mm, vapour_retarder, reinforced, exposure, service_category, windbreak, lights, starts_at, occupied_until)
		select gen_random_uuid(), fleet_now(), fleet_now(), f.name, s.id, (select id from plants), w.id, (select id from mixes), 'slab_on_ground', 125, 0, 0, 0, 70,
			0, false, true, '', 2, false, false, starts, starts + interval '9 hours'
		from fleet f join sites s using (name) join crews w using (name)
			cross join lateral (select fleet_now() + interval '1 day' + (i * 9.0 / $1::int) * interval '1 day' as starts) at`, fleetSites)
}

// pass lets some minutes pass as the clock and one worker make them: each minute
// what is due is claimed, twice, as two replicas do, and jobs are done as far as
// the turns of the hosts let them.
func (f *fleet) pass(minutes int) {
	f.t.Helper()
	for range minutes {
		minute := f.clock.Now().Truncate(time.Minute).Add(time.Minute)
		for range 2 {
			require.NoError(f.t, f.s.ClaimDue(f.t.Context()))
			require.NoError(f.t, f.s.Warn(f.t.Context()))
		}
		for more := true; more && f.clock.Now().Before(minute); {
			var err error
			more, err = f.s.WorkPull(f.t.Context())
			require.NoError(f.t, err)
		}
		f.clock.to(minute)
	}
}

// waiting is how many cells are overdue or wait in a job.
func (f *fleet) waiting() (n int) {
	f.t.Helper()
	require.NoError(f.t, f.db.Pool().QueryRow(f.t.Context(),
		"select count(*) from cells where fetched_at is null and source <> 'nws-alerts'").Scan(&n))
	return n
}

// rateHolds requires that no span of a host's questions held more than its budget
// allows: a burst, then one each interval.
func rateHolds(t *testing.T, c *crowd, rate forecast.Rate) {
	t.Helper()
	for i := range c.asked {
		for k := i + rate.Burst; k < min(len(c.asked), i+rate.Burst+200); k++ {
			least := time.Duration(k-i-rate.Burst+1) * rate.Every
			if span := c.asked[k].at.Sub(c.asked[i].at); span < least-time.Millisecond {
				require.Failf(t, "too fast", "%d questions within %s", k-i+1, span)
			}
		}
	}
}

// counted are questions, the points in them, and the most for one key.
type counted struct{ questions, points, most int }

func count(asked []question) (c counted) {
	byKey := map[string]int{}
	for _, q := range asked {
		c.questions++
		c.points += q.points
		byKey[q.key]++
		c.most = max(c.most, byKey[q.key])
	}
	return c
}

// stormOfAFleet starts a replica on 1,500 cells that are all overdue after an
// outage of hours. Each is asked for once, at the pace that each host allows and
// no faster, those of the next pours first; then they are spread again.
func stormOfAFleet(t *testing.T) *fleet {
	t.Helper()
	f := newFleet(t)
	began := f.clock.Now()
	for minute := 0; f.waiting() > 0; minute++ {
		require.Less(t, minute, 40, "%d cells wait", f.waiting())
		f.pass(1)
	}
	took := f.clock.Now().Sub(began)
	t.Logf("storm over after %s", took)
	all := func(service, kind string) counted { return count(f.crowd[service].between(kind, began, f.clock.Now())) }
	require.Equal(t, counted{fleetCells, fleetCells, 1}, all("nws", "grid"))
	require.Equal(t, counted{fleetCells, fleetCells, 1}, all("met-norway", "series"))
	require.Equal(t, counted{fleetCells / 100, fleetCells, 1}, all("open-meteo", "forecast"), "a hundred points in a call")
	require.Equal(t, counted{fleetCells / 100, fleetCells, 1}, all("open-meteo-ensemble", "ensemble"))
	stations := all("nws", "stations")
	require.LessOrEqual(t, stations.questions, fleetStations*(1+int(took/(20*time.Minute))), "asked once for all cells that name it")
	for _, about := range f.s.Weather() {
		for name, c := range f.crowd {
			if strings.HasPrefix(about.Name, name) && (name != "open-meteo" || about.Name == name) {
				rateHolds(t, c, about.Rate)
			}
		}
	}
	grids := f.crowd["nws"].between("grid", began, f.clock.Now())
	require.True(t, slices.IsSortedFunc(grids, func(a, b question) int { return cellNumber(a.key) - cellNumber(b.key) }), "the next pours first")
	var most int
	require.NoError(t, f.db.Pool().QueryRow(t.Context(), `select max(n) from (
		select count(*) as n from cells where source <> 'nws-alerts' group by source, date_trunc('minute', next_due_at)) m`).Scan(&most))
	require.LessOrEqual(t, most, 120, "no second storm: not more in a minute than the strictest host allows")
	return f
}

// cellNumber is also the order in which the cells' next pours start.
func cellNumber(grid string) int {
	n, _ := strconv.Atoi(strings.Split(grid, ",")[0])
	return n
}

// What an hour of 2,000 sites in 1,500 cells costs each service.
func TestHourOfAFleet(t *testing.T) {
	t.Parallel()
	f := stormOfAFleet(t)
	f.pass(30)
	from := f.clock.Now()
	f.pass(60)
	of := func(service, kind string) counted {
		c := count(f.crowd[service].between(kind, from, f.clock.Now()))
		t.Logf("%s %s: %+v", service, kind, c)
		return c
	}
	require.LessOrEqual(t, of("nws", "grid").questions, fleetCells+fleetCells/50)
	require.LessOrEqual(t, of("nws", "stations").questions, 2*fleetStations+fleetStations/5, "half-hourly, by station")
	require.LessOrEqual(t, of("nws", "points").questions, 2*fleetSites/(7*24), "weekly, by site")
	require.LessOrEqual(t, of("nws", "list").questions, 2*fleetSites/(7*24))
	require.Positive(t, of("nws", "points").questions)
	require.Equal(t, 12, of("nws", "alerts").questions, "each five minutes, one for all")
	require.LessOrEqual(t, of("met-norway", "series").questions, fleetCells+fleetCells/50, "one or another is due at both ends of the hour")
	require.LessOrEqual(t, of("open-meteo", "forecast").points, fleetCells)
	require.LessOrEqual(t, of("open-meteo-ensemble", "ensemble").points, fleetCells)
}
