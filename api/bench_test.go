package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/db/dbtest"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// The statements that the API runs for one pour and for a page of 50, for the limit that it is measured beside: net/http
// and pgx with nothing in between. The rows go out through the same views.
const (
	benchOne  = `select p.* from pours p where p.id = $1 and ($2::uuid[] is null or p.crew_id = any($2)) and ($3::uuid[] is null or p.plant_id = any($3))`
	benchList = `select p.*, s.name as site_name, s.timezone, pl.name as plant_name, c.name as crew_name, m.name as mix_name
		from pours p join sites s on s.id = p.site_id join plants pl on pl.id = p.plant_id join crews c on c.id = p.crew_id join mixes m on m.id = p.mix_id
		where true order by p.starts_at, p.id limit $1`
)

// benchWorld is a database with 1000 pours, the API over it, and a token.
type benchWorld struct {
	db     *db.DB
	api    *API
	secret string
	pour   uuid.UUID
}

func newBenchWorld(b *testing.B) *benchWorld {
	b.Helper()
	w := &benchWorld{db: dbtest.New(b)}
	var err error
	w.api, err = New(Config{DB: w.db, EnqueueAssess: func(context.Context, *db.Tx, ...uuid.UUID) error { return nil }, RequestsPerMinute: 1 << 30})
	require.NoError(b, err)
	ctx := b.Context()
	err = w.db.Tx(ctx, db.Actor{Name: "bench"}, func(tx *db.Tx) error {
		site := db.Site{Name: "S"}
		site.Latitude, site.Longitude, site.Timezone = 42, -88, "America/Chicago"
		site, err := tx.CreateSite(ctx, db.Scope{}, site)
		require.NoError(b, err)
		plant, err := tx.CreatePlant(ctx, db.Scope{}, db.Plant{Name: "P"})
		require.NoError(b, err)
		crew, err := tx.CreateCrew(ctx, db.Scope{}, db.Crew{Name: "C", DayStartsMin: 420, DayEndsMin: 1020})
		require.NoError(b, err)
		mix := db.Mix{Name: "M"}
		mix.CementType, mix.CementKgM3, mix.WaterKgM3, mix.AggregateKgM3, mix.StrengthMPa = "I", 332, 160, 1850, 27.6
		mix, err = tx.CreateMix(ctx, db.Scope{}, mix)
		require.NoError(b, err)
		for i := range 1000 {
			start := firstStart.AddDate(0, 0, i)
			p, err := tx.CreatePour(ctx, db.Scope{}, db.Pour{
				Name: fmt.Sprintf("Bay %d", i), SiteID: site.ID, PlantID: plant.ID, CrewID: crew.ID, MixID: mix.ID, Element: "slab_on_ground",
				ThicknessMM: 127, AreaM2: 70, StartsAt: start, OccupiedUntil: start.Add(8 * time.Hour),
			})
			require.NoError(b, err)
			w.pour = p.ID
		}
		_, w.secret, err = access.Grant(ctx, tx, db.Token{Name: "bench", Role: "dispatcher"})
		return err
	})
	require.NoError(b, err)
	return w
}

// bare answers the same over net/http and pgx alone.
func (w *benchWorld) bare() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /v1/pours/{id}", func(rw http.ResponseWriter, r *http.Request) {
		id, err := uuid.Parse(r.PathValue("id"))
		if err != nil {
			http.Error(rw, err.Error(), http.StatusBadRequest)
			return
		}
		rows, _ := w.db.Pool().Query(r.Context(), benchOne, id, []uuid.UUID(nil), []uuid.UUID(nil))
		pour, err := pgx.CollectOneRow(rows, pgx.RowToStructByNameLax[db.Pour])
		answerBare(rw, pourView(pour), err)
	})
	mux.HandleFunc("GET /v1/pours", func(rw http.ResponseWriter, r *http.Request) {
		rows, _ := w.db.Pool().Query(r.Context(), benchList, 51)
		lines, err := pgx.CollectRows(rows, pgx.RowToStructByNameLax[db.PourLine])
		var page items[PourLine]
		for _, line := range lines[:min(50, len(lines))] {
			page.Items = append(page.Items, pourLine(line))
		}
		answerBare(rw, page, err)
	})
	return mux
}

func answerBare(rw http.ResponseWriter, body any, err error) {
	if err != nil {
		http.Error(rw, err.Error(), http.StatusInternalServerError)
		return
	}
	rw.Header().Set("Content-Type", mediaJSON)
	_ = json.NewEncoder(rw).Encode(body)
}

// BenchmarkReads measures the API beside its limit over real connections, both in one run; compare api with bare.
func BenchmarkReads(b *testing.B) {
	w := newBenchWorld(b)
	for _, what := range []struct{ name, path string }{{"one", "/v1/pours/" + w.pour.String()}, {"list50", "/v1/pours"}} {
		for _, server := range []struct {
			name    string
			handler http.Handler
		}{{"bare", w.bare()}, {"api", w.api}} {
			b.Run(what.name+"/"+server.name, func(b *testing.B) {
				s := httptest.NewServer(server.handler)
				defer s.Close()
				s.Client().Transport.(*http.Transport).MaxIdleConnsPerHost = 16
				b.SetParallelism(4)
				b.ResetTimer()
				b.RunParallel(func(pb *testing.PB) {
					for pb.Next() {
						w.get(b, s.Client(), s.URL+what.path)
					}
				})
				b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "req/s")
			})
		}
	}
}

func (w *benchWorld) get(b *testing.B, client *http.Client, url string) {
	request, err := http.NewRequestWithContext(b.Context(), http.MethodGet, url, http.NoBody)
	if err != nil {
		b.Error(err)
		return
	}
	request.Header.Set("Authorization", "Bearer "+w.secret)
	response, err := client.Do(request)
	if err != nil {
		b.Error(err)
		return
	}
	defer response.Body.Close() //nolint:errcheck // only read
	var body json.RawMessage
	if err := json.NewDecoder(response.Body).Decode(&body); err != nil || response.StatusCode != http.StatusOK {
		b.Errorf("%s answered %d: %v", url, response.StatusCode, err)
	}
}
