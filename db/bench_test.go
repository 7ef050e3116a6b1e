package db_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// The limits that the service is measured against stand beside what it does, in
// one run on one server: compare the two of a pair, not a number with another
// day's.

const benchHours = 240 // of one issue

func benchIssue(c db.Cell, n int) (db.Issue, []db.Hour) {
	at := monday.Add(time.Duration(n) * time.Hour)
	list := make([]db.Hour, benchHours)
	for i := range list {
		x := float64(i)
		list[i] = db.Hour{Hour: rules.Hour{
			At: at.Add(time.Duration(i) * time.Hour), AirTempC: new(-9.4 + x/100), DewPointC: new(-13 + x/90), WindMS: new(3.6 + x/70),
			GustMS: new(6 + x/60), Cloud: new(x / 300), ShortwaveWm2: new(x), PrecipMM: new(0.0), PrecipType: "none", SnowDepthM: new(0.1),
		}}
	}
	return issue(c, at, fmt.Sprint(n)), list
}

func BenchmarkStoreIssue(b *testing.B) {
	w := setup(b)
	c := w.cell("openmeteo", "k")
	n := 0
	b.ResetTimer()
	for b.Loop() {
		i, list := benchIssue(c, n)
		i.Body = nil
		n++
		w.tx(func(tx *db.Tx) error {
			_, _, err := tx.StoreIssue(w.ctx, i, list)
			return err
		})
	}
	b.ReportMetric(float64(n*benchHours)/b.Elapsed().Seconds(), "rows/s")
}

// BenchmarkBareCopy sends the same rows, already in the text form of COPY, into
// the same table.
func BenchmarkBareCopy(b *testing.B) {
	w := setup(b)
	c := w.cell("openmeteo", "k")
	_, list := benchIssue(c, 0)
	var rows bytes.Buffer
	for _, h := range list {
		number := func(v *float64) string { return strconv.FormatFloat(*v, 'g', -1, 64) }
		fmt.Fprintf(&rows, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", "00000000-0000-0000-0000-000000000000",
			h.At.Format(time.RFC3339), number(h.AirTempC), number(h.DewPointC), number(h.WindMS), number(h.GustMS), number(h.Cloud),
			number(h.ShortwaveWm2), number(h.PrecipMM), h.PrecipType, number(h.SnowDepthM))
	}
	const statement = `copy forecast_hours (issue_id, at, air_temp_c, dew_point_c, wind_ms, gust_ms, cloud, shortwave_wm2,
		precip_mm, precip_type, snow_depth_m) from stdin`
	conn, err := w.Pool().Acquire(w.ctx)
	require.NoError(b, err)
	defer conn.Release()
	n := 0
	b.ResetTimer()
	for b.Loop() {
		n++
		text := bytes.ReplaceAll(rows.Bytes(), []byte("00000000-0000-0000-0000-000000000000"), []byte(uuid.Must(uuid.NewV7()).String()))
		_, err := conn.Conn().PgConn().CopyFrom(w.ctx, bytes.NewReader(text), statement)
		require.NoError(b, err)
	}
	b.ReportMetric(float64(n*benchHours)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkHours(b *testing.B) {
	w := setup(b)
	i, list := benchIssue(w.cell("openmeteo", "k"), 0)
	stored := w.issue(i, list)
	b.ResetTimer()
	for b.Loop() {
		got, err := w.Hours(w.ctx, stored.ID, time.Time{}, time.Time{})
		require.NoError(b, err)
		require.Len(b, got, benchHours)
	}
}

// benchPours fills a table of pours for lists.
func benchPours(b *testing.B, count int) *bundle {
	w := setup(b)
	p := w.draft("slab", monday)
	p.State, p.CancelledAt = db.Cancelled, &monday // no crew to be free
	w.tx(func(tx *db.Tx) error {
		for n := range count {
			p.StartsAt = monday.Add(time.Duration(n) * time.Minute)
			p.OccupiedUntil = p.StartsAt.Add(time.Hour)
			if _, err := tx.CreatePour(w.ctx, all, p); err != nil {
				return err
			}
		}
		return nil
	})
	_, err := w.Pool().Exec(w.ctx, "analyze")
	require.NoError(b, err)
	return w
}

func BenchmarkPour(b *testing.B) {
	w := benchPours(b, 1000)
	l, err := w.Pours(w.ctx, all, db.PourFilter{}, db.Page{Limit: 1000})
	require.NoError(b, err)
	n := 0
	b.ResetTimer()
	for b.Loop() {
		_, err := w.Pour(w.ctx, all, l.Items[n%1000].ID)
		require.NoError(b, err)
		n++
	}
}

// BenchmarkBarePour runs the same statement with positional arguments and throws
// the values away undecoded.
func BenchmarkBarePour(b *testing.B) {
	w := benchPours(b, 1000)
	l, err := w.Pours(w.ctx, all, db.PourFilter{}, db.Page{Limit: 1000})
	require.NoError(b, err)
	n := 0
	b.ResetTimer()
	for b.Loop() {
		rows, err := w.Pool().Query(w.ctx, `select p.*, 1 from pours p where p.id = $1
			and ($2::uuid[] is null or p.crew_id = any($2)) and ($3::uuid[] is null or p.plant_id = any($3))`,
			l.Items[n%1000].ID, []uuid.UUID(nil), []uuid.UUID(nil))
		require.NoError(b, err)
		for rows.Next() {
			_ = rows.RawValues()
		}
		require.NoError(b, rows.Err())
		n++
	}
}

func BenchmarkPours50(b *testing.B) {
	w := benchPours(b, 20000)
	for name, at := range map[string]int{"first": 0, "deep": 15000} {
		b.Run(name, func(b *testing.B) {
			after := &db.Key{At: monday.Add(time.Duration(at)*time.Minute - time.Second)}
			for b.Loop() {
				l, err := w.Pours(w.ctx, all, db.PourFilter{}, db.Page{Limit: 50, After: after})
				require.NoError(b, err)
				require.Len(b, l.Items, 50)
			}
		})
	}
}

// BenchmarkAlertCommit raises and clears one alert after the other, with a
// notice and a delivery each time: one commit each.
func BenchmarkAlertCommit(b *testing.B) {
	w := setup(b)
	e := w.endpoint("e")
	p := w.pour("p", monday)
	body := bytes.Repeat([]byte("x"), 1000)
	n := 0
	b.ResetTimer()
	for b.Loop() {
		n++
		w.tx(func(tx *db.Tx) error {
			a, err := tx.LockAlert(w.ctx, db.Subject{PourID: &p.ID}, "kind "+strconv.Itoa(n%500))
			if err != nil {
				return err
			}
			a.Condition, a.Severity = "raised", "major"
			a, _, err = tx.Advance(w.ctx, a, db.Transition{Event: "alarm.raised"})
			if err != nil {
				return err
			}
			_, _, err = tx.CreateNotice(w.ctx, db.Notice{AlertID: &a.ID, Transition: &a.Transition, Type: "alarm.raised", Payload: body},
				[]db.Delivery{{DeliveryState: db.DeliveryState{EndpointID: e.ID}, Body: body}})
			return err
		})
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "commits/s")
}

// BenchmarkBareAlertCommit runs the same statements bare on one connection.
func BenchmarkBareAlertCommit(b *testing.B) {
	w := setup(b)
	e := w.endpoint("e")
	p := w.pour("p", monday)
	body := bytes.Repeat([]byte("x"), 1000)
	conn, err := w.Pool().Acquire(w.ctx)
	require.NoError(b, err)
	defer conn.Release()
	n := 0
	b.ResetTimer()
	for b.Loop() {
		n++
		kind := "kind " + strconv.Itoa(n%500)
		tx, err := conn.Begin(w.ctx)
		require.NoError(b, err)
		_, err = tx.Exec(w.ctx, `insert into alerts (id, created_at, updated_at, changed_at, pour_id, kind, condition, severity)
			values ($1, now(), now(), now(), $2, $3, 'cleared', 'indeterminate') on conflict (subject, kind) do nothing`, uuid.Must(uuid.NewV7()), p.ID, kind)
		require.NoError(b, err)
		var id uuid.UUID
		var number int
		require.NoError(b, tx.QueryRow(w.ctx, `select id, transition from alerts where subject = $1::uuid::text and kind = $2 for update`, p.ID, kind).Scan(&id, &number))
		_, err = tx.Exec(w.ctx, `with moved as (update alerts set condition = 'raised', severity = 'major', transition = transition + 1, changed_at = now()
			where id = $1 and transition = $2 returning id, transition)
			insert into alert_transitions (alert_id, number, at, episode, event, condition, operator_state, severity, verified, reason, actor)
			select id, transition, now(), 1, 'alarm.raised', 'raised', 'none', 'major', true, '', 'bench' from moved`, id, number)
		require.NoError(b, err)
		notice := uuid.Must(uuid.NewV7())
		_, err = tx.Exec(w.ctx, `insert into notices (id, created_at, alert_id, transition, type, payload) values ($1, now(), $2, $3, 'alarm.raised', $4)`, notice, id, number+1, body)
		require.NoError(b, err)
		_, err = tx.Exec(w.ctx, `insert into deliveries (id, created_at, updated_at, notice_id, endpoint_id, alert_id, transition, webhook_id, content_type, body, next_attempt_at)
			values ($1, now(), now(), $2, $3, $4, $5, $6, '', $7, now())`, uuid.Must(uuid.NewV7()), notice, e.ID, id, number+1, notice.String(), body)
		require.NoError(b, err)
		require.NoError(b, tx.Commit(w.ctx))
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "commits/s")
}

// BenchmarkStoreAssessments stores a chunk of rescored pours, each with the
// series of a week.
func BenchmarkStoreAssessments(b *testing.B) {
	w := benchPours(b, 100)
	l, err := w.Pours(w.ctx, all, db.PourFilter{}, db.Page{Limit: 100})
	require.NoError(b, err)
	document := rules.Assessment{Verdict: rules.Protect, Engine: "bench"}
	for n := range 168 {
		at := monday.Add(time.Duration(n) * time.Hour)
		x := float64(n) / 7
		document.Temperatures = append(document.Temperatures, rules.TempRow{At: at, AirC: -x, TopC: 20 - x, MeanC: 21 - x, BottomC: 5 - x, BaseC: x})
		document.Strength = append(document.Strength, rules.StrengthRow{At: at, ColdestMPa: x, MeanMPa: 1.1 * x})
		document.Windows = append(document.Windows, rules.Window{StartsAt: at, Verdict: rules.Place, Cost: x})
	}
	text, err := json.Marshal(document)
	require.NoError(b, err)
	chunk := make([]db.Assessment, len(l.Items))
	n := 0
	b.ResetTimer()
	for b.Loop() {
		n++
		for i, p := range l.Items {
			chunk[i] = db.Assessment{AssessmentLine: db.AssessmentLine{
				PourID: p.ID, PourVersion: p.Version, At: monday.Add(time.Duration(n) * time.Minute), Verdict: rules.Protect,
				InputsHash: make([]byte, 32), EngineVersion: "bench",
			}, Document: text}
		}
		w.tx(func(tx *db.Tx) error { return tx.StoreAssessments(w.ctx, chunk...) })
	}
	b.ReportMetric(float64(n*len(chunk))/b.Elapsed().Seconds(), "assessments/s")
	b.ReportMetric(float64(len(text)), "document-bytes")
}
