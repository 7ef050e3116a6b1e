package db_test

import (
	"crypto/sha256"
	"fmt"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// hours makes a row of hours from a time, each with a temperature.
func hours(from time.Time, airTempC ...float64) []db.Hour {
	var list []db.Hour
	for n, c := range airTempC {
		list = append(list, db.Hour{Hour: rules.Hour{At: from.Add(time.Duration(n) * time.Hour), AirTempC: &c}})
	}
	return list
}

func issue(cell db.Cell, issuedAt time.Time, body string) db.Issue {
	hash := sha256.Sum256([]byte(body))
	return db.Issue{
		CellID: cell.ID, Kind: "forecast", Model: "test", IssuedAt: issuedAt, FetchedAt: issuedAt.Add(time.Minute),
		PayloadSHA256: hash[:], Body: []byte(body),
	}
}

// cell makes a cell that answers for the bundle's site.
func (b *bundle) cell(source, key string) (c db.Cell) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		c, err = tx.EnsureCell(b.ctx, db.Cell{Source: source, Key: key, Latitude: 42, Longitude: -88, ElevationM: new(230.0)})
		if err != nil {
			return err
		}
		return tx.LinkSite(b.ctx, b.site.ID, source, c.ID)
	})
	return c
}

func (b *bundle) issue(i db.Issue, list []db.Hour) (stored db.Issue) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		var isNew bool
		stored, isNew, err = tx.StoreIssue(b.ctx, i, list)
		require.True(b.t, isNew)
		return err
	})
	return stored
}

func TestCells(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c := b.cell("openmeteo", "42.0,-88.0")
	b.tx(func(tx *db.Tx) error {
		same, err := tx.EnsureCell(b.ctx, db.Cell{Source: "openmeteo", Key: "42.0,-88.0", Latitude: 1, Longitude: 1})
		require.NoError(t, err)
		requireSame(t, c, same)
		_, err = tx.EnsureCell(b.ctx, db.Cell{Source: "nws", Key: "LOT/1,2", Latitude: 42, Longitude: -88, Meta: []byte(`{"office": "LOT"}`)})
		return err
	})
	got, err := b.Cell(b.ctx, c.ID)
	require.NoError(t, err)
	requireSame(t, c, got)
	for source, want := range map[string]int{"": 2, "nws": 1, "metno": 0} {
		l, err := b.Cells(b.ctx, source, db.Page{})
		require.NoError(t, err)
		require.Len(t, l.Items, want)
	}

	other := b.newSite("other", "UTC")
	without, err := b.SitesWithout(b.ctx, "openmeteo", 10)
	require.NoError(t, err)
	require.Len(t, without, 1)
	requireSame(t, other, without[0])
	cells, err := b.SiteCells(b.ctx, b.site.ID)
	require.NoError(t, err)
	require.Len(t, cells, 1)
	linked, err := b.CellSites(b.ctx, c.ID, uuid.New())
	require.NoError(t, err)
	require.Equal(t, []db.CellSite{{CellID: c.ID, SiteID: b.site.ID, Latitude: 42, Longitude: -88, ElevationM: 220}}, linked)
	byID, err := b.CellsByID(b.ctx, []uuid.UUID{c.ID, uuid.New()})
	require.NoError(t, err)
	require.Len(t, byID, 1)
	requireSame(t, c, byID[0])
	b.tx(func(tx *db.Tx) error { return tx.UnlinkSite(b.ctx, b.site.ID) })
	cells, err = b.SiteCells(b.ctx, b.site.ID)
	require.NoError(t, err)
	require.Empty(t, cells)

	b.tx(func(tx *db.Tx) error {
		for _, id := range []uuid.UUID{b.site.ID, other.ID} {
			require.NoError(t, tx.LinkSite(b.ctx, id, "openmeteo", c.ID))
		}
		return tx.UnlinkCell(b.ctx, c.ID)
	})
	linked, err = b.CellSites(b.ctx, c.ID)
	require.NoError(t, err)
	require.Empty(t, linked)
}

// How fresh a source is counts the cells that living pours rest on.
func TestSourceHealth(t *testing.T) {
	t.Parallel()
	b := setup(t)
	health := func() db.SourceHealth {
		h, err := b.SourceHealth(b.ctx, "openmeteo", monday)
		require.NoError(t, err)
		return h
	}
	c := b.cell("openmeteo", "k")
	require.Equal(t, db.SourceHealth{}, health()) // no pour there
	b.pour("p", monday)
	h := health()
	require.Equal(t, 1, h.Cells)
	require.True(t, h.WaitingFrom.Equal(c.CreatedAt))
	require.Nil(t, h.IssuedAt)

	b.issue(issue(c, monday, "a"), hours(monday, 1))
	b.tx(func(tx *db.Tx) error {
		require.NoError(t, tx.SaveFetch(b.ctx, db.Fetch{CellID: c.ID, Succeeded: true, NextDueAt: tx.Now()}))
		return tx.SaveFetch(b.ctx, db.Fetch{CellID: c.ID, Error: "503", NextDueAt: tx.Now()})
	})
	h = health()
	require.True(t, h.IssuedAt.Equal(monday))
	require.NotNil(t, h.SucceededAt)
	require.Equal(t, "503", h.LastError)
}

// A pour that was planned for long ago and never placed needs no weather any
// more; one that was placed does until it is released.
func TestForgottenPourNeedsNoWeather(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.cell("openmeteo", "k")
	claimed := func() int {
		var cells []db.Cell
		b.tx(func(tx *db.Tx) (err error) {
			cells, err = tx.ClaimCells(b.ctx, "openmeteo", 10, 0)
			return err
		})
		h, err := b.SourceHealth(b.ctx, "openmeteo", time.Now())
		require.NoError(t, err)
		require.Equal(t, len(cells), h.Cells)
		return len(cells)
	}
	p := b.pour("p", time.Now().AddDate(0, 0, -9))
	require.Equal(t, 1, claimed())
	_, err := b.Pool().Exec(b.ctx, "update pours set starts_at = starts_at - interval '2 days', occupied_until = occupied_until - interval '2 days'")
	require.NoError(t, err)
	require.Zero(t, claimed())
	_, err = b.Pool().Exec(b.ctx, "update pours set state = 'placed', placed_at = starts_at where id = $1", p.ID)
	require.NoError(t, err)
	require.Equal(t, 1, claimed())
}

// After an outage the cells of the pours that start first are asked first.
func TestClaimCellsInOrderOfNeed(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.cell("openmeteo", "c")
	b.pour("in three days", time.Now().Add(72*time.Hour))
	for i, key := range []string{"b", "a", "d"} { // in one, two and four days
		site := b.newSite("site "+key, "UTC")
		b.tx(func(tx *db.Tx) error {
			c, err := tx.EnsureCell(b.ctx, db.Cell{Source: "openmeteo", Key: key, Latitude: 42, Longitude: -88})
			require.NoError(t, err)
			return tx.LinkSite(b.ctx, site.ID, "openmeteo", c.ID)
		})
		b.site = site
		b.pour("pour "+key, time.Now().Add([]time.Duration{24, 48, 96}[i]*time.Hour))
	}
	var keys []string
	b.tx(func(tx *db.Tx) error {
		cells, err := tx.ClaimCells(b.ctx, "openmeteo", 3, time.Minute)
		for _, c := range cells {
			keys = append(keys, c.Key)
		}
		return err
	})
	require.Equal(t, []string{"b", "a", "c"}, keys)
}

// A site's cell is confirmed from time to time, and its weather put off while
// nobody may be asked.
func TestSitesAreLocatedAgain(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c := b.cell("nws", "LOT/1,2")
	before := func(at time.Time) int {
		sites, err := b.SitesLinkedBefore(b.ctx, "nws", at, 10)
		require.NoError(t, err)
		return len(sites)
	}
	require.Zero(t, before(time.Now().Add(-time.Hour)))
	require.Equal(t, 1, before(time.Now().Add(time.Hour)))
	until := time.Now().Add(3 * time.Hour).UTC().Truncate(time.Second)
	b.tx(func(tx *db.Tx) error { return tx.PostponeCell(b.ctx, c.ID, until) })
	got, err := b.Cell(b.ctx, c.ID)
	require.NoError(t, err)
	require.True(t, got.NextDueAt.Equal(until))
	require.Zero(t, got.Failures)
	require.Nil(t, got.FetchedAt)
}

// Who warns a site, and when it last answered; outside its cover nobody does.
func TestWarnedSites(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c := b.cell("nws-alerts", "ILZ105")
	far := b.newSite("far", "UTC")
	b.tx(func(tx *db.Tx) error {
		outside, err := tx.EnsureCell(b.ctx, db.Cell{Source: "nws-alerts", Key: "outside", Latitude: 1, Longitude: 1})
		require.NoError(t, err)
		require.NoError(t, tx.SaveFetch(b.ctx, db.Fetch{CellID: outside.ID, Succeeded: true, NextDueAt: tx.Now()}))
		return tx.LinkSite(b.ctx, far.ID, "nws-alerts", outside.ID)
	})
	warned := func() map[uuid.UUID]db.WarnedSite {
		sites, err := b.WarnedSites(b.ctx, []string{"nws-alerts"}, b.site.ID, far.ID, uuid.New())
		require.NoError(t, err)
		found := map[uuid.UUID]db.WarnedSite{}
		for _, s := range sites {
			found[s.SiteID] = s
		}
		return found
	}
	require.Equal(t, map[uuid.UUID]db.WarnedSite{b.site.ID: {SiteID: b.site.ID, Covered: true}, far.ID: {SiteID: far.ID}}, warned())
	b.tx(func(tx *db.Tx) error {
		return tx.SaveFetch(b.ctx, db.Fetch{CellID: c.ID, Succeeded: true, NextDueAt: tx.Now()})
	})
	require.NotNil(t, warned()[b.site.ID].AsOf)
}

// Cells are made due at once unless their source has nothing newer yet.
func TestMakeDue(t *testing.T) {
	t.Parallel()
	b := setup(t)
	stale, fresh, other := b.cell("openmeteo", "stale"), b.cell("nws", "fresh"), b.cell("metno", "other")
	later := time.Now().Add(time.Hour)
	b.tx(func(tx *db.Tx) error {
		require.NoError(t, tx.LinkSite(b.ctx, b.newSite("elsewhere", "UTC").ID, "metno", other.ID))
		_, err := tx.PGX().Exec(b.ctx, "delete from site_cells where site_id = $1 and source = 'metno'", b.site.ID)
		require.NoError(t, err)
		require.NoError(t, tx.SaveFetch(b.ctx, db.Fetch{CellID: stale.ID, Succeeded: true, NextDueAt: later}))
		require.NoError(t, tx.SaveFetch(b.ctx, db.Fetch{CellID: other.ID, Succeeded: true, NextDueAt: later}))
		return tx.SaveFetch(b.ctx, db.Fetch{CellID: fresh.ID, Succeeded: true, ExpiresAt: &later, NextDueAt: later})
	})
	due := func() (keys []string) {
		l, err := b.Cells(b.ctx, "", db.Page{})
		require.NoError(t, err)
		for _, c := range l.Items {
			if c.NextDueAt.Before(time.Now().Add(time.Minute)) {
				keys = append(keys, c.Key)
			}
		}
		return keys
	}
	require.Empty(t, due())
	b.tx(func(tx *db.Tx) error { return tx.MakeDue(b.ctx, b.site.ID) })
	require.Equal(t, []string{"stale"}, due())
	b.tx(func(tx *db.Tx) error { return tx.MakeDue(b.ctx) })
	require.Equal(t, []string{"stale", "other"}, due())
}

// A cell is claimed when it is due and a living pour needs it, by one replica,
// and again when its fetch died.
func TestClaimCells(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c := b.cell("openmeteo", "k")
	claim := func(lease time.Duration) (claimed []db.Cell) {
		b.tx(func(tx *db.Tx) (err error) {
			claimed, err = tx.ClaimCells(b.ctx, "openmeteo", 10, lease)
			return err
		})
		return claimed
	}
	require.Empty(t, claim(time.Minute)) // no pour there
	start := time.Now().UTC().Truncate(time.Second)
	p := b.pour("p", start)

	require.NoError(t, b.Tx(b.ctx, tester, func(one *db.Tx) error { // two replicas at the same moment
		first, err := one.ClaimCells(b.ctx, "openmeteo", 10, 0)
		require.NoError(t, err)
		require.Len(t, first, 1)
		require.Empty(t, claim(time.Minute))
		return nil
	}))
	require.Len(t, claim(time.Minute), 1)
	require.Empty(t, claim(time.Minute)) // leased

	at := time.Now().UTC().Truncate(time.Second)
	b.tx(func(tx *db.Tx) error {
		require.NoError(t, tx.SaveFetch(b.ctx, db.Fetch{CellID: c.ID, NextDueAt: at, Error: "503"}))
		require.NoError(t, tx.SaveFetch(b.ctx, db.Fetch{CellID: c.ID, NextDueAt: at, Error: "504"}))
		require.ErrorIs(t, tx.SaveFetch(b.ctx, db.Fetch{CellID: uuid.New(), NextDueAt: at}), db.ErrNotFound)
		return nil
	})
	failed := claim(0)
	require.Len(t, failed, 1)
	require.Equal(t, 2, failed[0].Failures)
	require.Equal(t, "504", failed[0].LastError)
	require.Nil(t, failed[0].SucceededAt)

	b.tx(func(tx *db.Tx) error {
		return tx.SaveFetch(b.ctx, db.Fetch{
			CellID: c.ID, Succeeded: true, ETag: `"x"`, LastModified: "Mon", ExpiresAt: new(at.Add(time.Hour)),
			NextDueAt: at.Add(time.Hour), Meta: []byte(`{"a": 1}`),
		})
	})
	got, err := b.Cell(b.ctx, c.ID)
	require.NoError(t, err)
	require.Zero(t, got.Failures)
	require.Empty(t, got.LastError)
	require.Equal(t, []string{`"x"`, "Mon", `{"a": 1}`}, []string{got.ETag, got.LastModified, string(got.Meta)})
	require.NotNil(t, got.SucceededAt)
	require.True(t, got.ExpiresAt.Equal(at.Add(time.Hour)))

	on, err := b.PoursOn(b.ctx, start.Add(time.Hour), c.ID)
	require.NoError(t, err)
	require.Equal(t, []uuid.UUID{p.ID}, on)
	on, err = b.PoursOn(b.ctx, start, c.ID)
	require.NoError(t, err)
	require.Empty(t, on)
}

// An issue comes back hour by hour as it was, what was not supplied as nothing.
func TestIssueRoundTrip(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c := b.cell("openmeteo", "k")
	full := db.Hour{
		Hour: rules.Hour{
			At: monday, AirTempC: new(-9.4), DewPointC: new(-13.0), WindMS: new(3.6), GustMS: new(6.0), Cloud: new(0.5),
			ShortwaveWm2: new(0.0), PrecipMM: new(0.1), PrecipType: "snow", PrecipProb: new(0.4), SnowDepthM: new(0.12),
			AirTempSDC: new(1.5), WindSDMS: new(0.7),
		},
		RelHumidity: new(0.75), WindFromDeg: new(310.0), PrecipProbWindowH: new(int16(6)), SnowfallMMSWE: new(0.1),
		SnowfallDepthM: new(0.001), IceAccumMM: new(0.0), SkinTempC: new(-11.0), PressurePa: new(99000.0), Flags: 1<<40 | 5,
		SoilTemps: []db.SoilTemp{{TopM: 0, BottomM: 0.07, TempC: -0.3}},
	}
	list := []db.Hour{full, {Hour: rules.Hour{At: monday.Add(2 * time.Hour)}}}
	sent := issue(c, monday.Add(-time.Hour), `{"hourly": 1}`)
	stored := b.issue(sent, list)
	require.Equal(t, 2, stored.Hours)
	require.True(t, stored.FirstHourAt.Equal(monday) && stored.LastHourAt.Equal(monday.Add(2*time.Hour)))
	require.True(t, stored.ReachAt.Equal(stored.LastHourAt))
	require.InDelta(t, 230, *stored.ElevationM, 0) // the cell's

	got, err := b.Hours(b.ctx, stored.ID, time.Time{}, time.Time{})
	require.NoError(t, err)
	requireSame(t, list, got)
	got, err = b.Hours(b.ctx, stored.ID, monday, monday.Add(2*time.Hour))
	require.NoError(t, err)
	require.Len(t, got, 1)
	again, err := b.Issue(b.ctx, stored.ID)
	require.NoError(t, err)
	requireSame(t, stored, again)
	body, err := b.IssueBody(b.ctx, stored.ID)
	require.NoError(t, err)
	require.Equal(t, sent.Body, body)

	b.tx(func(tx *db.Tx) error { // the same payload once more
		same, isNew, err := tx.StoreIssue(b.ctx, sent, list)
		require.NoError(t, err)
		require.False(t, isNew)
		requireSame(t, stored, same)
		return nil
	})
	for name, wrong := range map[string][]db.Hour{
		"none": {}, "out of order": {list[1], list[0]}, "repeated": {list[0], list[0]}, "not a full hour": hours(monday.Add(time.Minute), 1),
	} {
		err := b.try(func(tx *db.Tx) error {
			_, _, err := tx.StoreIssue(b.ctx, issue(c, monday, name), wrong)
			return err
		})
		require.ErrorIs(t, err, db.ErrInvalid, name)
	}
}

// The latest issue is the one issued last, in whatever order they arrive.
func TestLatestIssues(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c, station := b.cell("openmeteo", "k"), b.cell("station", "KORD")
	newer := b.issue(issue(c, monday, "b"), hours(monday, 1, 2))
	b.issue(issue(c, monday.Add(-6*time.Hour), "a"), hours(monday.Add(-6*time.Hour), 5, 6, 7))
	observed := issue(station, monday.Add(-time.Hour), "o")
	observed.Kind, observed.Body = "observed", nil
	seen := b.issue(observed, hours(monday.Add(-time.Hour), 3))

	latest, err := b.LatestIssues(b.ctx, b.site.ID, b.newSite("no cells", "UTC").ID)
	require.NoError(t, err)
	require.Len(t, latest, 2)
	require.Equal(t, newer.ID, latest[0].ID)
	require.Equal(t, []string{"openmeteo", "k"}, []string{latest[0].Source, latest[0].Key})
	require.Equal(t, b.site.ID, latest[0].SiteID)
	require.Equal(t, seen.ID, latest[1].ID)
	_, err = b.IssueBody(b.ctx, seen.ID)
	require.ErrorIs(t, err, db.ErrNotFound)

	l, err := b.Issues(b.ctx, c.ID, db.Page{})
	require.NoError(t, err)
	require.Len(t, l.Items, 2)
	require.Equal(t, newer.ID, l.Items[0].ID)
}

// The past is pieced together from what was said last of each hour.
func TestPastHours(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c := b.cell("openmeteo", "k")
	first := b.issue(issue(c, monday, "a"), hours(monday, 10, 11, 12, 13))
	second := b.issue(issue(c, monday.Add(2*time.Hour), "b"), hours(monday.Add(2*time.Hour), 22, 23, 24))
	past, err := b.PastHours(b.ctx, c.ID, monday.Add(time.Hour), monday.Add(4*time.Hour))
	require.NoError(t, err)
	var temps []float64
	var from []uuid.UUID
	for _, h := range past {
		temps, from = append(temps, *h.AirTempC), append(from, h.IssueID)
	}
	require.Equal(t, []float64{11, 22, 23}, temps)
	require.Equal(t, []uuid.UUID{first.ID, second.ID, second.ID}, from)
	require.True(t, past[1].IssuedAt.Equal(second.IssuedAt))
}

func TestWarnings(t *testing.T) {
	t.Parallel()
	b := setup(t)
	warning := func(id string, ends *time.Time) db.Warning {
		return db.Warning{ExternalID: id, Event: "Winter Storm Warning", Severity: "Severe", Headline: "Snow", OnsetAt: monday, EndsAt: ends, SentAt: &monday}
	}
	b.tx(func(tx *db.Tx) error {
		require.NoError(t, tx.ReplaceWarnings(b.ctx, b.site.ID, "other", []db.Warning{warning("z", nil)}))
		require.NoError(t, tx.ReplaceWarnings(b.ctx, b.site.ID, "nws", []db.Warning{warning("gone", nil)}))
		return tx.ReplaceWarnings(b.ctx, b.site.ID, "nws", []db.Warning{warning("a", new(monday.Add(time.Hour))), warning("b", nil)})
	})
	ids := func(now time.Time) (ids []string) {
		warnings, err := b.Warnings(b.ctx, now, b.site.ID)
		require.NoError(t, err)
		for _, w := range warnings {
			ids = append(ids, w.Source+" "+w.ExternalID)
		}
		return ids
	}
	require.Equal(t, []string{"nws a", "nws b", "other z"}, ids(monday))
	require.Equal(t, []string{"nws b", "other z"}, ids(monday.Add(time.Hour)))
}

func TestLeadErrors(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c := b.cell("openmeteo", "k")
	add := func(lead int, e float64) db.LeadError {
		return db.LeadError{CellID: c.ID, Variable: "air_temp_c", LeadH: lead, N: 1, Sum: e, SumSq: e * e}
	}
	b.tx(func(tx *db.Tx) error {
		require.NoError(t, tx.AddLeadErrors(b.ctx, []db.LeadError{add(24, 2), add(12, 1)}))
		return tx.AddLeadErrors(b.ctx, []db.LeadError{add(24, -1)})
	})
	errors, err := b.LeadErrors(b.ctx, "openmeteo")
	require.NoError(t, err)
	require.Equal(t, []db.LeadError{
		{c.ID, "air_temp_c", 12, 1, 1, 1},
		{c.ID, "air_temp_c", 24, 2, 1, 5},
	}, errors)
	same, err := b.LeadErrorsOf(b.ctx, c.ID)
	require.NoError(t, err)
	require.Equal(t, errors, same)
	errors, err = b.LeadErrors(b.ctx, "nws")
	require.NoError(t, err)
	require.Empty(t, errors)
}

// One forecast of three hours and one issued six hours later, both a degree or
// two too warm against a station 100 m higher, where air is 0.65 K colder: each
// hour counts once at each lead, by the newest issue of that lead.
func TestVerifyForecasts(t *testing.T) {
	t.Parallel()
	b := setup(t)
	f, o := b.cell("nws", "grid"), b.cell("stations", "KAAA")
	issue := func(c db.Cell, kind string, issued time.Time, heightM float64, airC ...float64) {
		hours := make([]db.Hour, len(airC))
		for k := range airC {
			hours[k].At, hours[k].AirTempC = monday.Add(time.Duration(k)*time.Hour), &airC[k]
		}
		b.tx(func(tx *db.Tx) error {
			sum := sha256.Sum256([]byte(issued.String() + c.Key))
			_, _, err := tx.StoreIssue(b.ctx, db.Issue{CellID: c.ID, Kind: kind, IssuedAt: issued, FetchedAt: issued, ElevationM: &heightM, PayloadSHA256: sum[:]}, hours)
			return err
		})
	}
	issue(f, "forecast", monday.Add(-9*time.Hour), 200, -1, -2, -3)
	issue(f, "forecast", monday.Add(-8*time.Hour), 200, -1, -2, -3)
	issue(f, "forecast", monday.Add(-2*time.Hour), 200, -2, -3, -4)
	issue(o, "observed", monday.Add(3*time.Hour), 300, -3.65, -4.65, -5.65)
	verify := func(until time.Time) {
		b.tx(func(tx *db.Tx) error {
			_, err := tx.VerifyForecasts(b.ctx, "stations", until)
			return err
		})
	}
	verify(monday.Add(2 * time.Hour))
	verify(monday.Add(2 * time.Hour))
	verify(monday.Add(4 * time.Hour))
	errors, err := b.LeadErrorsOf(b.ctx, f.ID)
	require.NoError(t, err)
	require.Len(t, errors, 2)
	for i, want := range []struct {
		lead int
		off  float64
	}{{6, 1}, {12, 2}} {
		require.Equal(t, want.lead, errors[i].LeadH)
		require.Equal(t, int64(3), errors[i].N)
		require.InDelta(t, 3*want.off, errors[i].Sum, 1e-9)
		require.InDelta(t, 3*want.off*want.off, errors[i].SumSq, 1e-9)
	}
}

// What is old goes; what a standing assessment rests on, and the first issue of
// each day, stay.
func TestThin(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c := b.cell("openmeteo", "k")
	p := b.pour("p", monday)
	now := monday.Add(60 * 24 * time.Hour)
	made := map[string]db.Issue{}
	for _, at := range []string{"01-13 06", "01-13 12", "01-13 18", "01-14 06", "01-14 12", "03-12 06", "03-12 12"} {
		when, err := time.Parse("2006-01-02 15", "2026-"+at)
		require.NoError(t, err)
		i := issue(c, when, at)
		i.FetchedAt = when
		made[at] = b.issue(i, hours(when, 1, 2, 3))
	}
	ancient := issue(c, monday.Add(-500*24*time.Hour), "ancient")
	ancient.FetchedAt = ancient.IssuedAt
	made["ancient"] = b.issue(ancient, hours(monday, 1))

	news := b.assess(p, monday, rules.Move, nil)
	noNews := func(a *db.Assessment) { a.News = false }
	b.assess(p, monday.Add(time.Hour), rules.Move, noNews)
	quoted := b.assess(p, monday.Add(2*time.Hour), rules.Move, noNews)
	b.tx(func(tx *db.Tx) error {
		a, err := tx.LockAlert(b.ctx, db.Subject{PourID: &p.ID}, "move")
		require.NoError(t, err)
		_, _, err = tx.Advance(b.ctx, a, db.Transition{Event: "alarm.raised", AssessmentID: &quoted.ID})
		return err
	})
	standing := b.assess(p, monday.Add(3*time.Hour), rules.Move, func(a *db.Assessment) {
		a.News = false
		a.IssueIDs = []uuid.UUID{made["01-13 12"].ID, made["ancient"].ID}
	})
	b.tx(func(tx *db.Tx) error {
		return tx.StoreAnswer(b.ctx, db.RequestKey{Route: "r", Key: "k", Fingerprint: []byte("f")}, db.Answer{Status: 201})
	})
	alert := b.raise(p, "other")
	settled, pending := b.deliver(alert, b.endpoint("e")), db.Delivery{}
	b.tx(func(tx *db.Tx) error {
		require.NoError(t, tx.SettleDelivery(b.ctx, all, settled.ID, "suppressed", "quiet hours"))
		made, _, err := tx.CreateNotice(b.ctx, db.Notice{Type: "digest", Payload: []byte{}},
			[]db.Delivery{{DeliveryState: db.DeliveryState{EndpointID: settled.EndpointID}, Body: []byte{}}})
		pending = made[0]
		return err
	})

	thinned, err := b.Thin(b.ctx, now, db.Retention{})
	require.NoError(t, err)
	require.Equal(t, db.Thinned{Bodies: 6, Assessments: 1, Issues: 2, Hours: 6}, thinned)
	for at, want := range map[string]bool{
		"01-13 06": true, "01-13 12": true, "01-13 18": false, "01-14 06": true, "01-14 12": false,
		"03-12 06": true, "03-12 12": true, "ancient": true,
	} {
		list, err := b.Hours(b.ctx, made[at].ID, time.Time{}, time.Time{})
		require.NoError(t, err)
		require.Equal(t, want, len(list) > 0, at)
		_, err = b.Issue(b.ctx, made[at].ID)
		require.Equal(t, want, err == nil, at)
	}
	l, err := b.Assessments(b.ctx, all, p.ID, db.Page{})
	require.NoError(t, err)
	var kept []uuid.UUID
	for _, a := range l.Items {
		kept = append(kept, a.ID)
	}
	require.Equal(t, []uuid.UUID{standing.ID, quoted.ID, news.ID}, kept)

	thinned, err = b.Thin(b.ctx, now, db.Retention{})
	require.NoError(t, err)
	require.Zero(t, thinned)

	// Years later all goes that nobody waits for or stands on.
	thinned, err = b.Thin(b.ctx, time.Now().Add(500*24*time.Hour), db.Retention{Audit: time.Hour})
	require.NoError(t, err)
	require.Equal(t, int64(1), thinned.Answers)
	require.Equal(t, int64(1), thinned.Notices)
	require.Positive(t, thinned.Audit)
	_, err = b.Delivery(b.ctx, all, settled.ID)
	require.ErrorIs(t, err, db.ErrNotFound)
	_, err = b.Delivery(b.ctx, all, pending.ID)
	require.NoError(t, err)
	entries, err := b.Audit(b.ctx, db.AuditFilter{}, 1000)
	require.NoError(t, err)
	require.Empty(t, entries)
	for at, i := range made {
		_, err := b.Issue(b.ctx, i.ID)
		want := at == "01-13 12" || at == "ancient" || at == "03-12 12" // stood on, or the cell's latest
		require.Equal(t, want, err == nil, at)
	}
}

// Thinning goes on past one statement's share of rows.
func TestThinManyIssues(t *testing.T) {
	t.Parallel()
	b := setup(t)
	c := b.cell("openmeteo", "k")
	b.tx(func(tx *db.Tx) error {
		for n := range 700 {
			i := issue(c, monday.Add(time.Duration(n)*time.Minute), fmt.Sprint(n))
			i.FetchedAt, i.Body = i.IssuedAt, nil
			_, _, err := tx.StoreIssue(b.ctx, i, hours(monday, 1))
			require.NoError(t, err)
		}
		return nil
	})
	// 13:00 to 00:39: two days, of which the first issues stay, and the latest.
	thinned, err := b.Thin(b.ctx, monday.Add(30*24*time.Hour), db.Retention{})
	require.NoError(t, err)
	require.Equal(t, int64(697), thinned.Issues)
	require.Equal(t, int64(697), thinned.Hours)
}
