package db_test

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"
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

const (
	benchClients = 8 // at the same time
	benchPair    = 2 * time.Second
	benchKinds   = 500 // alerts that the clients choose from
)

var benchBody = bytes.Repeat([]byte("x"), 1000)

// BenchmarkAlertCommit raises alerts with a notice and a delivery each, one commit
// each, by several clients at once; and beside it, in turns, pgbench runs the same
// statements with as many clients on the same server.
func BenchmarkAlertCommit(b *testing.B) {
	pgbench, err := exec.LookPath("pgbench")
	if err != nil {
		b.Skip("pgbench is not installed")
	}
	w := setupOn(b, dbtest.Open(b, db.Config{Conn: dbtest.NewConn(b), MaxConns: benchClients}))
	e, p := w.endpoint("e"), w.pour("p", monday)
	script := filepath.Join(b.TempDir(), "alert.sql")
	require.NoError(b, os.WriteFile(script, []byte(alertScript(e, p)), 0o600))
	var ours, bare, ratios []float64
	for b.Loop() {
		ours = append(ours, w.raiseFor(benchPair, e, p))
		bare = append(bare, w.pgbench(pgbench, script))
		ratios = append(ratios, ours[len(ours)-1]/bare[len(bare)-1])
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(median(ours), "commits/s")
	b.ReportMetric(median(bare), "pgbench/s")
	b.ReportMetric(100*median(ratios), "%")
}

func median(list []float64) float64 {
	slices.Sort(list)
	return list[len(list)/2]
}

// raiseFor gives how many alerts are raised in a second.
func (b *bundle) raiseFor(d time.Duration, e db.Endpoint, p db.Pour) float64 {
	b.t.Helper()
	var made atomic.Int64
	var clients sync.WaitGroup
	began := time.Now()
	for range benchClients {
		clients.Go(func() {
			for time.Since(began) < d {
				if err := b.Tx(b.ctx, tester, func(tx *db.Tx) error { return b.raiseOne(tx, e, p) }); err != nil {
					b.t.Error(err)
					return
				}
				made.Add(1)
			}
		})
	}
	clients.Wait()
	return float64(made.Load()) / time.Since(began).Seconds()
}

func (b *bundle) raiseOne(tx *db.Tx, e db.Endpoint, p db.Pour) error {
	a, err := tx.LockAlert(b.ctx, db.Subject{PourID: &p.ID}, fmt.Sprint("kind ", 1+rand.IntN(benchKinds)))
	if err != nil {
		return err
	}
	a.Condition, a.Severity = "raised", "major"
	a, _, err = tx.Advance(b.ctx, a, db.Transition{Event: "alarm.raised"})
	if err != nil {
		return err
	}
	_, _, err = tx.CreateNotice(b.ctx, db.Notice{AlertID: &a.ID, Transition: &a.Transition, Type: "alarm.raised", Payload: benchBody},
		[]db.Delivery{{DeliveryState: db.DeliveryState{EndpointID: e.ID}, Body: benchBody}})
	return err
}

// alertScript is what raiseOne does, for pgbench.
func alertScript(e db.Endpoint, p db.Pour) string {
	texts := map[string]string{
		"actor": "'tester'", "request": "'request-1'", "now": "now()", "pour_id": "'" + p.ID.String() + "'::uuid", "source": "null::text",
		"kind": "('kind ' || :n)", "condition": "'raised'", "severity": "'major'", "operator_state": "'none'", "verified": "true",
		"chattering": "false", "episode": "0", "escalation": "0", "transition": ":a_transition", "event": "'alarm.raised'",
		"type": "'alarm.raised'", "state": "'pending'", "content_type": "''", "endpoint_id": "'" + e.ID.String() + "'", "alert_id": ":a_id",
		"payload": hexOf(benchBody), "body": hexOf(benchBody), "next_attempt_at": "now()", "webhook_id": "(:r || '-' || :n)", "notice_id": ":notice::uuid",
	}
	for name := range strings.FieldsSeq("reason note acknowledged_by ack_note shelved_by shelve_reason") {
		texts[name] = "''"
	}
	for name := range strings.FieldsSeq(`inhibited_by detail memory raised_at cleared_at changed_at noticed_at acknowledged_at acknowledged_until
		shelved_until wake_at escalated_at reminded_at follow_at assessment_id settled_at`) {
		texts[name] = "null"
	}
	texts["changed_at"] = "now()"
	var script strings.Builder
	fmt.Fprintf(&script, "\\set n random(1, %d)\n\\set r random(1, 1000000000000)\nbegin;\n", benchKinds)
	for i, sql := range db.AlertCommit() {
		end := ";\n"
		switch i {
		case 0:
			texts["now"] = "''" // in the session; the clock's time is the database's own
		case 1:
			texts["now"], texts["id"] = "now()", "gen_random_uuid()"
		case 2:
			end = " \\gset a_\n"
		case 3:
			texts["id"] = ":a_id"
		case 4:
			texts["id"], texts["transition"] = newRandomID, ":a_transition + 1"
		case 5:
			texts["id"], texts["notice_id"] = "gen_random_uuid()", newRandomID
		}
		script.WriteString(db.Fill(sql, texts) + end)
	}
	return script.String() + "commit;\n"
}

// newRandomID is the id of the notice in a run of the script.
const newRandomID = "('00000000-0000-7000-8000-' || lpad(to_hex(:r::bigint), 12, '0'))::uuid"

func hexOf(b []byte) string { return `'\\x` + hex.EncodeToString(b) + `'::bytea` }

// pgbench gives how often a script runs in a second.
func (b *bundle) pgbench(program, script string) float64 {
	b.t.Helper()
	c := b.Pool().Config().ConnConfig
	out, err := exec.Command(program, "--no-vacuum", "--protocol=prepared", fmt.Sprint("--client=", benchClients), "--jobs=2", //nolint:gosec,noctx // our own flags
		fmt.Sprint("--time=", int(benchPair.Seconds())), "--file="+script, "--host="+c.Host, fmt.Sprint("--port=", c.Port), "--username="+c.User, c.Database).CombinedOutput()
	require.NoError(b.t, err, string(out))
	found := regexp.MustCompile(`tps = ([0-9.]+)`).FindSubmatch(out)
	require.NotNil(b.t, found, string(out))
	require.NotContains(b.t, string(out), "ERROR")
	tps, err := strconv.ParseFloat(string(found[1]), 64)
	require.NoError(b.t, err)
	return tps
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
