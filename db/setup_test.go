package db_test

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

var (
	all    = db.Scope{}
	tester = db.Actor{Name: "tester", RequestID: "request-1"}
	monday = time.Date(2026, 1, 12, 13, 0, 0, 0, time.UTC) // 07:00 in Chicago
)

// bundle is a database with one site, plant, crew and mix to start from.
type bundle struct {
	*db.DB
	t     testing.TB
	ctx   context.Context
	site  db.Site
	plant db.Plant
	crew  db.Crew
	mix   db.Mix
}

func setup(t testing.TB) *bundle {
	t.Helper()
	return setupOn(t, dbtest.New(t))
}

func setupOn(t testing.TB, d *db.DB) *bundle {
	t.Helper()
	b := &bundle{DB: d, t: t, ctx: t.Context()}
	b.site = b.newSite("Lakeview lot 14", "America/Chicago")
	b.plant = b.newPlant("North plant")
	b.crew = b.newCrew("Red crew")
	b.mix = b.newMix("4000 air")
	return b
}

// tx runs fn as the tester and wants no error.
func (b *bundle) tx(fn func(tx *db.Tx) error) {
	b.t.Helper()
	require.NoError(b.t, b.Tx(b.ctx, tester, fn))
}

// try runs fn as the tester and gives its error.
func (b *bundle) try(fn func(tx *db.Tx) error) error { return b.Tx(b.ctx, tester, fn) }

func (b *bundle) newSite(name, zone string) (s db.Site) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		s, err = tx.CreateSite(b.ctx, all, db.Site{Name: name, Site: rules.Site{
			Latitude: 42, Longitude: -88, ElevationM: 220, Timezone: zone,
		}})
		return err
	})
	return s
}

func (b *bundle) newPlant(name string) (p db.Plant) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		p, err = tx.CreatePlant(b.ctx, all, db.Plant{Name: name})
		return err
	})
	return p
}

func (b *bundle) newCrew(name string) (c db.Crew) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		c, err = tx.CreateCrew(b.ctx, all, db.Crew{Name: name, DayStartsMin: 420, DayEndsMin: 1050, Days: []int16{1, 2, 3, 4, 5}})
		return err
	})
	return c
}

func (b *bundle) newMix(name string) (m db.Mix) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		m, err = tx.CreateMix(b.ctx, all, db.Mix{Name: name, Mix: rules.Mix{
			CementType: "I/II", CementKgM3: 332, WaterKgM3: 160, AggregateKgM3: 1850, StrengthMPa: 27.6,
			Admixtures: []rules.Admixture{{Kind: "water_reducer", DosePct: 0.3}},
		}})
		return err
	})
	return m
}

// draft is a pour ready to be stored.
func (b *bundle) draft(name string, start time.Time) db.Pour {
	return db.Pour{
		Name: name, SiteID: b.site.ID, PlantID: b.plant.ID, CrewID: b.crew.ID, MixID: b.mix.ID,
		Element: rules.SlabOnGround, ThicknessMM: 125, AreaM2: 70, Reinforced: true, ServiceCategory: 2,
		Base: rules.Base{Material: "gravel", DepthMM: 150}, StartsAt: start, OccupiedUntil: start.Add(10 * time.Hour),
	}
}

func (b *bundle) store(p db.Pour) (stored db.Pour) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		stored, err = tx.CreatePour(b.ctx, all, p)
		return err
	})
	return stored
}

func (b *bundle) pour(name string, start time.Time) db.Pour {
	b.t.Helper()
	return b.store(b.draft(name, start))
}

// assess stores an assessment of a pour.
func (b *bundle) assess(p db.Pour, at time.Time, verdict rules.Verdict, change func(*db.Assessment)) db.Assessment {
	b.t.Helper()
	document, err := json.Marshal(rules.Assessment{Verdict: verdict, Engine: "test"})
	require.NoError(b.t, err)
	hash := sha256.Sum256(document)
	a := db.Assessment{AssessmentLine: db.AssessmentLine{
		ID: uuid.Must(uuid.NewV7()), PourID: p.ID, PourVersion: p.Version, At: at, Cause: "weather", Verdict: verdict,
		WorstRule: "ground.frozen", WorstReason: "The base is frozen.", Severity: "major", InputsHash: hash[:], EngineVersion: "test", News: true,
	}, Document: document}
	if change != nil {
		change(&a)
	}
	b.tx(func(tx *db.Tx) error { return tx.StoreAssessments(b.ctx, a) })
	return a
}

// raise makes an alert of a pour with its first transition.
func (b *bundle) raise(p db.Pour, kind string) (a db.Alert) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		a, err = tx.LockAlert(b.ctx, db.Subject{PourID: &p.ID}, kind)
		if err != nil {
			return err
		}
		now := tx.Now()
		a.Condition, a.Severity, a.Episode, a.Verified, a.RaisedAt, a.Reason = "raised", "major", a.Episode+1, true, &now, "base frozen"
		a, _, err = tx.Advance(b.ctx, a, db.Transition{Event: "alarm.raised"})
		return err
	})
	return a
}

func (b *bundle) endpoint(name string) (e db.Endpoint) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		e, err = tx.CreateEndpoint(b.ctx, db.Endpoint{Name: name, Kind: "standard"}, "https://hooks.example.net/in/7f3a", "first secret")
		return err
	})
	return e
}

// deliver makes a notice of an alert's last transition with one delivery.
func (b *bundle) deliver(a db.Alert, e db.Endpoint) (d db.Delivery) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) error {
		made, isNew, err := tx.CreateNotice(b.ctx,
			db.Notice{AlertID: &a.ID, Transition: &a.Transition, Type: "alarm.raised", Payload: []byte(`{"a":1}`)},
			[]db.Delivery{{DeliveryState: db.DeliveryState{EndpointID: e.ID, Severity: "major"}, ContentType: "application/json", Body: []byte(`{"b":2}`)}})
		if err == nil {
			require.True(b.t, isNew)
			d = made[0]
		}
		return err
	})
	return d
}
