package db_test

import (
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// A record comes back as it went in, every field of it.
func TestRecordsRoundTrip(t *testing.T) {
	t.Parallel()
	b := setup(t)
	at := monday.Add(time.Minute)

	site := db.Site{
		Name: "Mill yard", Address: "1 Mill Rd", ArchivedAt: &at,
		Site: rules.Site{
			Latitude: 46.79, Longitude: -92.1, ElevationM: 214, Timezone: "America/Denver", Shade: 0.3, Terrain: rules.TerrainBuilt,
			LocalRules: []rules.LocalRule{{Name: "City 4.2", Kind: "min_air", Value: 4.5, WithinH: 24}},
		},
	}
	plant := db.Plant{
		Name: "South plant", Latitude: new(46.7), Longitude: new(-92.2), DailyM3: new(300.0), ArchivedAt: &at,
		Plant: rules.Plant{
			AggregateTempC: new(-3.0), AggregateMoisturePct: new(3.0), CementTempC: new(15.0), WaterMaxC: new(70.0),
			HaulMin: new(40.0), Truck: "drum", TruckM3: 7.6, AcceleratorOK: new(true),
		},
	}
	crew := db.Crew{
		Name: "Blue crew", DayStartsMin: 360, DayEndsMin: 1020, Days: []int16{1, 2, 6}, Machine: new(true),
		PlaceM3H: 20, StaggerMin: 25, ArchivedAt: &at,
	}
	mix := db.Mix{
		Name: "3500", Note: "walls", ArchivedAt: &at, Mix: rules.Mix{
			CementType: "III", CementKgM3: 320, WaterKgM3: 150, AggregateKgM3: 1800, FlyAshKgM3: 40, SlagKgM3: 20,
			StrengthMPa: 24, SlumpMM: 100, AirPct: 6, Admixtures: []rules.Admixture{{Kind: "calcium_chloride", DosePct: 2, Product: "flake"}},
		},
	}
	pour := b.draft("garage slab", monday)
	pour.Note, pour.WidthMM, pour.HeightMM, pour.LengthMM = "dig by hand", 400, 2400, 9000
	pour.VolumeM3, pour.WastePct, pour.FoamMM, pour.VapourRetarder, pour.Exposure = new(9.0), new(5.0), 50, true, rules.ExposureC2
	pour.FormRM2KW, pour.Windbreak, pour.Lights, pour.PlacedTempC, pour.HaulMin = new(0.2), true, true, new(18.0), new(30.0)
	pour.Base.Temps = []rules.DepthTemp{{DepthMM: 0, TempC: 0.8}}
	pour.Protection = []rules.Protection{{RM2KW: 0.7, OnAt: monday.Add(8 * time.Hour)}}
	pour.ProtectionAtHand = []rules.Cover{{Name: "blanket", RM2KW: 0.7, AreaM2: 100, MaxLayers: 2}}
	pour.GroundCover = []rules.GroundCover{{Kind: "heated", HeatWM2: 100, OnAt: monday.Add(-48 * time.Hour)}}
	pour.CancelBy, pour.State, pour.PlacedAt, pour.ReleasedAt = new(monday.Add(-17*time.Hour)), db.Released, &at, new(at.Add(72*time.Hour))

	b.tx(func(tx *db.Tx) error {
		born := func(stored, sent *db.Record) {
			require.Equal(t, 7, int(stored.ID.Version()))
			require.Equal(t, int64(1), stored.Version)
			require.True(t, stored.CreatedAt.Equal(tx.Now()) && stored.UpdatedAt.Equal(tx.Now()))
			*sent = *stored
		}
		gotSite, err := tx.CreateSite(b.ctx, all, site)
		require.NoError(t, err)
		born(&gotSite.Record, &site.Record)
		requireSame(t, site, gotSite)
		gotPlant, err := tx.CreatePlant(b.ctx, all, plant)
		require.NoError(t, err)
		born(&gotPlant.Record, &plant.Record)
		requireSame(t, plant, gotPlant)
		gotCrew, err := tx.CreateCrew(b.ctx, all, crew)
		require.NoError(t, err)
		born(&gotCrew.Record, &crew.Record)
		requireSame(t, crew, gotCrew)
		gotMix, err := tx.CreateMix(b.ctx, all, mix)
		require.NoError(t, err)
		born(&gotMix.Record, &mix.Record)
		requireSame(t, mix, gotMix)
		gotPour, err := tx.CreatePour(b.ctx, all, pour)
		require.NoError(t, err)
		born(&gotPour.Record, &pour.Record)
		requireSame(t, pour, gotPour)
		observation := db.Observation{PourID: gotPour.ID, Kind: "slab_temp", At: at, Value: 7.5, DepthMM: 20, Note: "edge"}
		gotObservation, err := tx.CreateObservation(b.ctx, all, observation)
		require.NoError(t, err)
		born(&gotObservation.Record, &observation.Record)
		observation.Who = tester.Name
		requireSame(t, observation, gotObservation)
		return nil
	})

	stored, err := b.Site(b.ctx, all, site.ID)
	require.NoError(t, err)
	requireSame(t, site, stored)
	storedPlant, err := b.Plant(b.ctx, all, plant.ID)
	require.NoError(t, err)
	requireSame(t, plant, storedPlant)
	storedCrew, err := b.Crew(b.ctx, all, crew.ID)
	require.NoError(t, err)
	requireSame(t, crew, storedCrew)
	storedMix, err := b.Mix(b.ctx, all, mix.ID)
	require.NoError(t, err)
	requireSame(t, mix, storedMix)
	storedPour, err := b.Pour(b.ctx, all, pour.ID)
	require.NoError(t, err)
	requireSame(t, pour, storedPour)
}

// A caller that gives an id keeps it.
func TestCreateKeepsID(t *testing.T) {
	t.Parallel()
	b := setup(t)
	id := uuid.Must(uuid.NewV7())
	p := b.draft("a", monday)
	p.ID = id
	require.Equal(t, id, b.store(p).ID)
}

// Each record moves from version to version; an update or a delete made from an
// old one touches nothing.
func TestVersions(t *testing.T) {
	t.Parallel()
	b := setup(t)
	spareSite, sparePlant, spareCrew, spareMix := b.newSite("s", "UTC"), b.newPlant("p"), b.newCrew("c"), b.newMix("m")
	pour := b.pour("a", monday)
	var seen db.Observation
	b.tx(func(tx *db.Tx) (err error) {
		seen, err = tx.CreateObservation(b.ctx, all, db.Observation{PourID: pour.ID, Kind: "base_temp", At: monday, Value: 1})
		return err
	})
	endpoint := b.endpoint("e")
	var token db.Token
	b.tx(func(tx *db.Tx) (err error) {
		token, err = tx.CreateToken(b.ctx, db.Token{Name: "t", Role: "viewer", Hash: make([]byte, 32)})
		return err
	})
	firm, err := b.Firm(b.ctx)
	require.NoError(t, err)

	type record struct {
		name   string
		id     uuid.UUID
		update func(tx *db.Tx, version int64, id uuid.UUID) (int64, error)
		remove func(tx *db.Tx, version int64, id uuid.UUID) error
	}
	for _, r := range []record{
		{"site", spareSite.ID, func(tx *db.Tx, version int64, id uuid.UUID) (int64, error) {
			spareSite.ID, spareSite.Version = id, version
			s, err := tx.UpdateSite(b.ctx, all, spareSite)
			return s.Version, err
		}, func(tx *db.Tx, version int64, id uuid.UUID) error { return tx.DeleteSite(b.ctx, all, id, version) }},
		{"plant", sparePlant.ID, func(tx *db.Tx, version int64, id uuid.UUID) (int64, error) {
			sparePlant.ID, sparePlant.Version = id, version
			s, err := tx.UpdatePlant(b.ctx, all, sparePlant)
			return s.Version, err
		}, func(tx *db.Tx, version int64, id uuid.UUID) error { return tx.DeletePlant(b.ctx, all, id, version) }},
		{"crew", spareCrew.ID, func(tx *db.Tx, version int64, id uuid.UUID) (int64, error) {
			spareCrew.ID, spareCrew.Version = id, version
			s, err := tx.UpdateCrew(b.ctx, all, spareCrew)
			return s.Version, err
		}, func(tx *db.Tx, version int64, id uuid.UUID) error { return tx.DeleteCrew(b.ctx, all, id, version) }},
		{"mix", spareMix.ID, func(tx *db.Tx, version int64, id uuid.UUID) (int64, error) {
			spareMix.ID, spareMix.Version = id, version
			s, err := tx.UpdateMix(b.ctx, all, spareMix)
			return s.Version, err
		}, func(tx *db.Tx, version int64, id uuid.UUID) error { return tx.DeleteMix(b.ctx, all, id, version) }},
		{"observation", seen.ID, func(tx *db.Tx, version int64, id uuid.UUID) (int64, error) {
			seen.ID, seen.Version = id, version
			s, err := tx.UpdateObservation(b.ctx, all, seen)
			return s.Version, err
		}, func(tx *db.Tx, version int64, id uuid.UUID) error {
			return tx.DeleteObservation(b.ctx, all, id, version)
		}},
		{"pour", pour.ID, func(tx *db.Tx, version int64, id uuid.UUID) (int64, error) {
			pour.ID, pour.Version = id, version
			s, err := tx.UpdatePour(b.ctx, all, pour)
			return s.Version, err
		}, func(tx *db.Tx, version int64, id uuid.UUID) error { return tx.DeletePour(b.ctx, all, id, version) }},
		{"endpoint", endpoint.ID, func(tx *db.Tx, version int64, id uuid.UUID) (int64, error) {
			endpoint.ID, endpoint.Version = id, version
			s, err := tx.UpdateEndpoint(b.ctx, endpoint, "")
			return s.Version, err
		}, func(tx *db.Tx, version int64, id uuid.UUID) error { return tx.DeleteEndpoint(b.ctx, id, version) }},
		{"token", token.ID, func(tx *db.Tx, version int64, id uuid.UUID) (int64, error) {
			token.ID, token.Version = id, version
			s, err := tx.UpdateToken(b.ctx, token)
			return s.Version, err
		}, nil},
		{"firm", firm.ID, func(tx *db.Tx, version int64, _ uuid.UUID) (int64, error) {
			firm.Version = version
			s, err := tx.UpdateFirm(b.ctx, firm)
			return s.Version, err
		}, nil},
	} {
		t.Run(r.name, func(t *testing.T) {
			b.tx(func(tx *db.Tx) error {
				version, err := r.update(tx, 1, r.id)
				require.NoError(t, err)
				require.Equal(t, int64(2), version)
				_, err = r.update(tx, 1, r.id)
				require.ErrorIs(t, err, db.ErrStale)
				_, err = r.update(tx, 3, r.id)
				require.ErrorIs(t, err, db.ErrStale)
				if r.name != "firm" {
					_, err = r.update(tx, 2, uuid.New())
					require.ErrorIs(t, err, db.ErrNotFound)
				}
				if r.remove == nil {
					return nil
				}
				require.ErrorIs(t, r.remove(tx, 1, r.id), db.ErrStale)
				require.NoError(t, r.remove(tx, 2, r.id))
				require.ErrorIs(t, r.remove(tx, 2, r.id), db.ErrNotFound)
				return nil
			})
		})
	}
}

// Two people edit the same pour from the same version: one wins, the other is
// told, and nothing is lost.
func TestConcurrentUpdates(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("a", monday)
	results := make(chan error, 8)
	for n := range cap(results) {
		mine := p
		mine.Note = string(rune('a' + n))
		go func() {
			results <- b.try(func(tx *db.Tx) error {
				_, err := tx.UpdatePour(b.ctx, all, mine)
				return err
			})
		}()
	}
	won := 0
	for range cap(results) {
		err := <-results
		if err == nil {
			won++
			continue
		}
		require.ErrorIs(t, err, db.ErrStale)
	}
	require.Equal(t, 1, won)
	stored, err := b.Pour(b.ctx, all, p.ID)
	require.NoError(t, err)
	require.Equal(t, int64(2), stored.Version)
}

// What the schema refuses names its field and says what is wrong.
func TestFieldErrors(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("a", monday)
	b.raise(b.pour("alerted", monday.Add(24*time.Hour)), "frozen_base")

	for _, c := range []struct {
		name   string
		kind   error
		field  string
		change func(p *db.Pour)
	}{
		{"thin", db.ErrInvalid, "thickness_mm", func(p *db.Pour) { p.ThicknessMM = 10 }},
		{"no name", db.ErrInvalid, "name", func(p *db.Pour) { p.Name = "" }},
		{"unknown element", db.ErrInvalid, "element", func(p *db.Pour) { p.Element = "bridge" }},
		{"unknown crew", db.ErrInvalid, "crew_id", func(p *db.Pour) { p.CrewID = uuid.New() }},
		{"unknown plant", db.ErrInvalid, "plant_id", func(p *db.Pour) { p.PlantID = uuid.New() }},
		{"unknown site", db.ErrInvalid, "site_id", func(p *db.Pour) { p.SiteID = uuid.New() }},
		{"unknown mix", db.ErrInvalid, "mix_id", func(p *db.Pour) { p.MixID = uuid.New() }},
		{"ends before it starts", db.ErrInvalid, "occupied_until", func(p *db.Pour) { p.OccupiedUntil = p.StartsAt.Add(-time.Hour) }},
		{"placed without a time", db.ErrInvalid, "placed_at", func(p *db.Pour) { p.State = db.Placed }},
		{"released without a time", db.ErrInvalid, "released_at", func(p *db.Pour) { p.State, p.PlacedAt = db.Released, &p.StartsAt }},
		{"cancelled without a time", db.ErrInvalid, "cancelled_at", func(p *db.Pour) { p.State = db.Cancelled }},
		{"crew taken", db.ErrConflict, "crew_id", func(p *db.Pour) { p.StartsAt = monday.Add(time.Hour) }},
		{"byte that text cannot hold", db.ErrInvalid, "", func(p *db.Pour) { p.Note = "a\x00b" }},
	} {
		t.Run(c.name, func(t *testing.T) {
			bad := b.draft("b", monday.Add(48*time.Hour))
			c.change(&bad)
			err := b.try(func(tx *db.Tx) error {
				_, err := tx.CreatePour(b.ctx, all, bad)
				return err
			})
			require.ErrorIs(t, err, c.kind)
			var field *db.FieldError
			require.ErrorAs(t, err, &field)
			require.Equal(t, c.field, field.Field)
			require.NotEmpty(t, field.Detail)
		})
	}

	for _, c := range []struct {
		name  string
		kind  error
		field string
		do    func(tx *db.Tx) error
	}{
		{"name taken, case aside", db.ErrConflict, "name", func(tx *db.Tx) error {
			_, err := tx.CreateCrew(b.ctx, all, db.Crew{Name: "RED CREW", DayEndsMin: 1})
			return err
		}},
		{"crew's day upside down", db.ErrInvalid, "day_ends_min", func(tx *db.Tx) error {
			_, err := tx.CreateCrew(b.ctx, all, db.Crew{Name: "x", DayStartsMin: 600, DayEndsMin: 500})
			return err
		}},
		{"no such weekday", db.ErrInvalid, "days", func(tx *db.Tx) error {
			_, err := tx.CreateCrew(b.ctx, all, db.Crew{Name: "x", DayEndsMin: 500, Days: []int16{8}})
			return err
		}},
		{"no such zone", db.ErrInvalid, "timezone", func(tx *db.Tx) error {
			s := b.site
			s.Timezone = "America/Nowhere"
			_, err := tx.UpdateSite(b.ctx, all, s)
			return err
		}},
		{"latitude alone", db.ErrInvalid, "longitude", func(tx *db.Tx) error {
			_, err := tx.CreatePlant(b.ctx, all, db.Plant{Name: "x", Latitude: new(1.0)})
			return err
		}},
		{"site in use", db.ErrConflict, "", func(tx *db.Tx) error { return tx.DeleteSite(b.ctx, all, b.site.ID, 1) }},
		{"plant in use", db.ErrConflict, "", func(tx *db.Tx) error { return tx.DeletePlant(b.ctx, all, b.plant.ID, 1) }},
		{"crew in use", db.ErrConflict, "", func(tx *db.Tx) error { return tx.DeleteCrew(b.ctx, all, b.crew.ID, 1) }},
		{"mix in use", db.ErrConflict, "", func(tx *db.Tx) error { return tx.DeleteMix(b.ctx, all, b.mix.ID, 1) }},
		{"pour with an alert", db.ErrConflict, "", func(tx *db.Tx) error {
			l, err := tx.Pours(b.ctx, all, db.PourFilter{Text: "alerted"}, db.Page{})
			require.NoError(t, err)
			return tx.DeletePour(b.ctx, all, l.Items[0].ID, 1)
		}},
		{"quiet hours by half", db.ErrInvalid, "quiet_ends_min", func(tx *db.Tx) error {
			f, err := tx.Firm(b.ctx)
			require.NoError(t, err)
			f.QuietStartsMin = new(1200)
			_, err = tx.UpdateFirm(b.ctx, f)
			return err
		}},
		{"unknown role", db.ErrInvalid, "role", func(tx *db.Tx) error {
			_, err := tx.CreateToken(b.ctx, db.Token{Name: "x", Role: "king", Hash: make([]byte, 32)})
			return err
		}},
		{"unknown kind of observation", db.ErrInvalid, "kind", func(tx *db.Tx) error {
			_, err := tx.CreateObservation(b.ctx, all, db.Observation{PourID: p.ID, Kind: "mood", At: monday})
			return err
		}},
		{"endpoint without a host", db.ErrInvalid, "url", func(tx *db.Tx) error {
			_, err := tx.CreateEndpoint(b.ctx, db.Endpoint{Name: "x", Kind: "standard"}, "not a url", "s")
			return err
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := b.try(c.do)
			require.ErrorIs(t, err, c.kind)
			var field *db.FieldError
			require.ErrorAs(t, err, &field)
			require.Equal(t, c.field, field.Field)
		})
	}
}

// A name is free again once its holder is archived.
func TestArchivedNameIsFree(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.tx(func(tx *db.Tx) error {
		old := b.crew
		old.ArchivedAt = new(tx.Now())
		_, err := tx.UpdateCrew(b.ctx, all, old)
		return err
	})
	b.newCrew("Red crew")
	l, err := b.Crews(b.ctx, all, db.Filter{}, db.Page{})
	require.NoError(t, err)
	require.Len(t, l.Items, 1)
	l, err = b.Crews(b.ctx, all, db.Filter{Archived: true}, db.Page{})
	require.NoError(t, err)
	require.Len(t, l.Items, 2)
}

func TestFilters(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.newSite("50% yard_1", "UTC")
	b.newPlant("50% plant_1")
	b.newCrew("50% crew_1")
	b.newMix("50% mix_1")
	for _, text := range []string{"50% ", "_1", "%"} { // nothing in a text is a pattern
		f := db.Filter{Text: text}
		sites, err := b.Sites(b.ctx, all, f, db.Page{})
		require.NoError(t, err)
		require.Len(t, sites.Items, 1)
		plants, err := b.Plants(b.ctx, all, f, db.Page{})
		require.NoError(t, err)
		require.Len(t, plants.Items, 1)
		crews, err := b.Crews(b.ctx, all, f, db.Page{})
		require.NoError(t, err)
		require.Len(t, crews.Items, 1)
		mixes, err := b.Mixes(b.ctx, all, f, db.Page{})
		require.NoError(t, err)
		require.Len(t, mixes.Items, 1)
	}
}

func TestFirm(t *testing.T) {
	t.Parallel()
	b := setup(t)
	f, err := b.Firm(b.ctx)
	require.NoError(t, err)
	require.Equal(t, rules.UnitsUS, f.Units)
	f.Name, f.Units, f.Calibration = "Cold Slab Co", rules.UnitsSI, rules.Calibration{SetFactor: 1.1, BlanketEfficiency: 0.6}
	f.Limits = []rules.LimitChange{{Limit: "placing_max_c", Value: 30, Override: true, Reason: "our engineer"}}
	f.QuietStartsMin, f.QuietEndsMin, f.QuietCriticalExempt = new(1260), new(330), false
	b.tx(func(tx *db.Tx) error {
		stored, err := tx.UpdateFirm(b.ctx, f)
		require.NoError(t, err)
		f.Record = stored.Record
		requireSame(t, f, stored)
		return nil
	})
}
