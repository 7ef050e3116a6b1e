package db_test

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// world has a pour for each of two crews and two plants, each pour at a site and
// of a mix of its own and with all that can hang on a pour.
type world struct {
	*bundle
	crews  []db.Crew
	plants []db.Plant
	corner []corner
}

type corner struct {
	crew        db.Crew
	plant       db.Plant
	site        db.Site
	mix         db.Mix
	pour        db.Pour
	observation db.Observation
	assessment  db.Assessment
	alert       db.Alert
	delivery    db.Delivery
	suppression db.Suppression
}

func newWorld(t testing.TB) *world {
	w := &world{bundle: setup(t)}
	w.crews = []db.Crew{w.crew, w.newCrew("crew 2")}
	w.plants = []db.Plant{w.plant, w.newPlant("plant 2")}
	e := w.endpoint("e")
	for n, crew := range w.crews {
		for m, plant := range w.plants {
			c := corner{crew: crew, plant: plant}
			c.site, c.mix = w.newSite(fmt.Sprintf("site %d%d", n, m), "UTC"), w.newMix(fmt.Sprintf("mix %d%d", n, m))
			p := w.draft(fmt.Sprintf("pour %d%d", n, m), monday.Add(time.Duration(m)*24*time.Hour))
			p.SiteID, p.MixID, p.CrewID, p.PlantID = c.site.ID, c.mix.ID, crew.ID, plant.ID
			c.pour = w.store(p)
			c.assessment = w.assess(c.pour, monday, rules.Move, nil)
			c.alert = w.raise(c.pour, "k")
			c.delivery = w.deliver(c.alert, e)
			w.tx(func(tx *db.Tx) (err error) {
				c.observation, err = tx.CreateObservation(w.ctx, all, db.Observation{PourID: c.pour.ID, Kind: "slump", At: monday})
				if err != nil {
					return err
				}
				c.suppression, err = tx.CreateSuppression(w.ctx, all, suppressionOf(c.pour))
				if err != nil {
					return err
				}
				call := db.Call{PourID: c.pour.ID, Type: "call.saw_window", Day: monday, At: monday, Until: monday.Add(time.Hour), Severity: "warning"}
				if err := tx.PlanCalls(w.ctx, []uuid.UUID{c.pour.ID}, []db.Call{call}); err != nil {
					return err
				}
				return tx.StoreTellings(w.ctx, db.Telling{
					NoticeID: c.delivery.NoticeID, EndpointID: e.ID, AlertID: &c.alert.ID, Transition: new(1),
					Ruling: "now", Rule: "told", State: "told", DeliveryID: &c.delivery.ID,
				})
			})
			w.corner = append(w.corner, c)
		}
	}
	return w
}

// sees is the rule of scopes said again, as independent of the SQL.
func sees(s db.Scope, c corner) bool {
	return (s.Crews == nil || slices.Contains(s.Crews, c.crew.ID)) && (s.Plants == nil || slices.Contains(s.Plants, c.plant.ID))
}

func seesCrew(s db.Scope, c corner) bool {
	return s.Crews == nil || slices.Contains(s.Crews, c.crew.ID)
}

func seesPlant(s db.Scope, c corner) bool {
	return s.Plants == nil || slices.Contains(s.Plants, c.plant.ID)
}

var errRollback = errors.New("rolled back")

// probes call every method that takes a scope, on what belongs to a corner. A
// list is a list of the corner alone, and finding it is no error.
var probes = map[string]struct {
	sees func(db.Scope, corner) bool
	call func(w *world, tx *db.Tx, s db.Scope, c corner) error
}{
	"Pour": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Pour(w.ctx, s, c.pour.ID)
		return err
	}},
	"Pours": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Pours(w.ctx, s, db.PourFilter{IDs: []uuid.UUID{c.pour.ID}}, db.Page{}))
	}},
	"UpdatePour": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.UpdatePour(w.ctx, s, c.pour)
		return err
	}},
	"DeletePour": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return tx.DeletePour(w.ctx, s, c.pour.ID, c.pour.Version)
	}},
	"CreatePour": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		p := c.pour
		p.ID, p.StartsAt, p.OccupiedUntil = uuid.Nil, p.StartsAt.Add(1000*time.Hour), p.OccupiedUntil.Add(1000*time.Hour)
		_, err := tx.CreatePour(w.ctx, s, p)
		return err
	}},
	"Observation": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Observation(w.ctx, s, c.observation.ID)
		return err
	}},
	"Observations": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Observations(w.ctx, s, db.ObservationFilter{PourID: c.pour.ID}, db.Page{}))
	}},
	"CreateObservation": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.CreateObservation(w.ctx, s, db.Observation{PourID: c.pour.ID, Kind: "slump", At: monday})
		return err
	}},
	"UpdateObservation": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.UpdateObservation(w.ctx, s, c.observation)
		return err
	}},
	"DeleteObservation": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return tx.DeleteObservation(w.ctx, s, c.observation.ID, c.observation.Version)
	}},
	"Assessment": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Assessment(w.ctx, s, c.assessment.ID)
		return err
	}},
	"LatestAssessment": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.LatestAssessment(w.ctx, s, c.pour.ID)
		return err
	}},
	"Standings": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		l, err := tx.Standings(w.ctx, s, time.Now().Add(24*time.Hour), c.pour.ID)
		return some(len(l), err)
	}},
	"Batches": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		l, err := tx.Batches(w.ctx, s, c.pour.ID)
		return some(len(l), err)
	}},
	"Assessments": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Assessments(w.ctx, s, c.pour.ID, db.Page{}))
	}},
	"Windows": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		l, err := tx.Windows(w.ctx, s, []uuid.UUID{c.pour.ID})
		return some(len(l), err)
	}},
	"Alert": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Alert(w.ctx, s, c.alert.ID)
		return err
	}},
	"Alerts": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Alerts(w.ctx, s, db.AlertFilter{PourIDs: []uuid.UUID{c.pour.ID}}, db.Page{}))
	}},
	"Transitions": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		l, err := tx.Transitions(w.ctx, s, c.alert.ID)
		return some(len(l), err)
	}},
	"LockAlertByID": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.LockAlertByID(w.ctx, s, c.alert.ID)
		return err
	}},
	"Delivery": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Delivery(w.ctx, s, c.delivery.ID)
		return err
	}},
	"Deliveries": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Deliveries(w.ctx, s, db.DeliveryFilter{PourID: c.pour.ID}, db.Page{}))
	}},
	"Attempts": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		a := db.Attempt{DeliveryID: c.delivery.ID, Number: 0, At: tx.Now(), Outcome: "accepted"}
		if err := tx.RecordAttempt(w.ctx, a, db.Settle{State: "accepted"}); err != nil {
			return err
		}
		l, err := tx.Attempts(w.ctx, s, c.delivery.ID)
		return some(len(l), err)
	}},
	"SettleDelivery": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return tx.SettleDelivery(w.ctx, s, c.delivery.ID, "suppressed", "x")
	}},
	"Replay": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		if err := tx.SettleDelivery(w.ctx, all, c.delivery.ID, "dead", "x"); err != nil {
			return err
		}
		l, err := tx.Replay(w.ctx, s, db.DeliveryFilter{PourID: c.pour.ID})
		return some(len(l), err)
	}},
	"Tellings": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		l, err := tx.Tellings(w.ctx, s, c.alert.ID, 10)
		return some(len(l), err)
	}},
	"Calls": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		l, err := tx.Calls(w.ctx, s, c.pour.ID)
		return some(len(l), err)
	}},
	"Suppression": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Suppression(w.ctx, s, c.suppression.ID)
		return err
	}},
	"Suppressions": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Suppressions(w.ctx, s, db.SuppressionFilter{PourID: c.pour.ID}, db.Page{}))
	}},
	"CreateSuppression": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.CreateSuppression(w.ctx, s, suppressionOf(c.pour))
		return err
	}},
	"UpdateSuppression": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.UpdateSuppression(w.ctx, s, c.suppression)
		return err
	}},
	"DeleteSuppression": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return tx.DeleteSuppression(w.ctx, s, c.suppression.ID, c.suppression.Version)
	}},

	"Site": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Site(w.ctx, s, c.site.ID)
		return err
	}},
	"UpdateSite": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.UpdateSite(w.ctx, s, c.site)
		return err
	}},
	"DeleteSite": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return tx.DeleteSite(w.ctx, s, c.site.ID, c.site.Version)
	}},
	"Sites": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Sites(w.ctx, s, db.Filter{Text: c.site.Name}, db.Page{}))
	}},
	"Mix": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Mix(w.ctx, s, c.mix.ID)
		return err
	}},
	"UpdateMix": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.UpdateMix(w.ctx, s, c.mix)
		return err
	}},
	"DeleteMix": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return tx.DeleteMix(w.ctx, s, c.mix.ID, c.mix.Version)
	}},
	"Mixes": {sees, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Mixes(w.ctx, s, db.Filter{Text: c.mix.Name}, db.Page{}))
	}},
	"Crew": {seesCrew, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Crew(w.ctx, s, c.crew.ID)
		return err
	}},
	"UpdateCrew": {seesCrew, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.UpdateCrew(w.ctx, s, c.crew)
		return err
	}},
	"DeleteCrew": {seesCrew, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return tx.DeleteCrew(w.ctx, s, c.crew.ID, c.crew.Version)
	}},
	"Crews": {seesCrew, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Crews(w.ctx, s, db.Filter{Text: c.crew.Name}, db.Page{}))
	}},
	"Plant": {seesPlant, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.Plant(w.ctx, s, c.plant.ID)
		return err
	}},
	"UpdatePlant": {seesPlant, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		_, err := tx.UpdatePlant(w.ctx, s, c.plant)
		return err
	}},
	"DeletePlant": {seesPlant, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return tx.DeletePlant(w.ctx, s, c.plant.ID, c.plant.Version)
	}},
	"Plants": {seesPlant, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		return found(tx.Plants(w.ctx, s, db.Filter{Text: c.plant.Name}, db.Page{}))
	}},

	"CreateSite": {seesAll, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		n := c.site
		n.ID, n.Name = uuid.Nil, "new"
		_, err := tx.CreateSite(w.ctx, s, n)
		return err
	}},
	"CreatePlant": {seesAll, func(w *world, tx *db.Tx, s db.Scope, _ corner) error {
		_, err := tx.CreatePlant(w.ctx, s, db.Plant{Name: "new"})
		return err
	}},
	"CreateCrew": {seesAll, func(w *world, tx *db.Tx, s db.Scope, _ corner) error {
		_, err := tx.CreateCrew(w.ctx, s, db.Crew{Name: "new", DayEndsMin: 1})
		return err
	}},
	"CreateMix": {seesAll, func(w *world, tx *db.Tx, s db.Scope, c corner) error {
		n := c.mix
		n.ID, n.Name = uuid.Nil, "new"
		_, err := tx.CreateMix(w.ctx, s, n)
		return err
	}},
}

func seesAll(s db.Scope, _ corner) bool { return s.All() }

func found[T any](l db.List[T], err error) error { return some(len(l.Items), err) }

func some(n int, err error) error {
	if err == nil && n == 0 {
		return db.ErrNotFound
	}
	return err
}

func (w *world) scopes() map[string]db.Scope {
	c1, c2, p1, p2, stranger := w.crews[0].ID, w.crews[1].ID, w.plants[0].ID, w.plants[1].ID, uuid.New()
	ids := func(ids ...uuid.UUID) []uuid.UUID { return append([]uuid.UUID{}, ids...) }
	return map[string]db.Scope{
		"all": {}, "crew 1": {Crews: ids(c1)}, "crew 2": {Crews: ids(c2)}, "both crews": {Crews: ids(c1, c2)},
		"plant 1": {Plants: ids(p1)}, "plant 2": {Plants: ids(p2)}, "both plants": {Plants: ids(p1, p2)},
		"crew 1 of plant 1": {Crews: ids(c1), Plants: ids(p1)}, "crew 2 of plant 1": {Crews: ids(c2), Plants: ids(p1)},
		"crew 1 of both plants": {Crews: ids(c1), Plants: ids(p1, p2)},
		"a strange crew":        {Crews: ids(stranger)}, "a strange plant": {Plants: ids(stranger)},
		"no crew": {Crews: ids()}, "no plant": {Plants: ids()}, "nothing": {Crews: ids(), Plants: ids()},
	}
}

// Every method that takes a scope, with every scope, on everything: what is in
// the scope is there, what isn't is not found.
func TestScopeMatrix(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	cases := 0
	for scopeName, scope := range w.scopes() {
		for n, c := range w.corner {
			for name, probe := range probes {
				cases++
				var got error
				err := w.try(func(tx *db.Tx) error {
					got = tx.Try(w.ctx, func(tx *db.Tx) error { return probe.call(w, tx, scope, c) })
					return errRollback
				})
				require.ErrorIs(t, err, errRollback)
				where := fmt.Sprintf("%s of corner %d in scope %s", name, n, scopeName)
				switch {
				case probe.sees(scope, c) && strings.HasPrefix(name, "Delete") && errors.Is(got, db.ErrConflict):
					// Seen, and kept because it is in use.
				case probe.sees(scope, c):
					require.NoError(t, got, where)
				case name == "CreatePour", name == "CreateSuppression":
					require.ErrorIs(t, got, db.ErrInvalid, where)
				case name == "UpdatePour":
					require.True(t, errors.Is(got, db.ErrInvalid) || errors.Is(got, db.ErrNotFound), "%s: %v", where, got)
				case strings.HasPrefix(name, "Create") && name != "CreateObservation":
					require.ErrorIs(t, got, db.ErrNotAllowed, where)
				default:
					require.ErrorIs(t, got, db.ErrNotFound, where)
				}
			}
		}
	}
	t.Logf("%d cases", cases)
}

// The matrix has every method that takes a scope.
func TestScopeMatrixIsWhole(t *testing.T) {
	t.Parallel()
	scope := reflect.TypeFor[db.Scope]()
	methods := reflect.TypeFor[*db.Tx]()
	for m := range methods.Methods() {
		for in := range m.Type.Ins() {
			if in == scope {
				require.Contains(t, probes, m.Name)
			}
		}
	}
}

// A pour cannot be moved out of the scope, nor into it.
func TestScopeHoldsMoves(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	mine := db.Scope{Crews: []uuid.UUID{w.crews[0].ID}}
	own, foreign := w.corner[0].pour, w.corner[3].pour
	for field, change := range map[string]func(p *db.Pour){
		"crew_id": func(p *db.Pour) { p.CrewID = w.crews[1].ID },
		"site_id": func(p *db.Pour) { p.SiteID = foreign.SiteID },
		"mix_id":  func(p *db.Pour) { p.MixID = foreign.MixID },
	} {
		moved := own
		change(&moved)
		err := w.try(func(tx *db.Tx) error {
			_, err := tx.UpdatePour(w.ctx, mine, moved)
			return err
		})
		var refused *db.FieldError
		require.ErrorAs(t, err, &refused)
		require.Equal(t, field, refused.Field)
		require.Equal(t, "does not exist", refused.Detail) // as for one that isn't there
	}
	stolen := own
	stolen.ID, stolen.Version = foreign.ID, foreign.Version
	err := w.try(func(tx *db.Tx) error {
		_, err := tx.UpdatePour(w.ctx, mine, stolen)
		return err
	})
	require.ErrorIs(t, err, db.ErrNotFound)
}

// Everybody may know that a source is silent; only those without a scope may
// quieten the alert, or see where it was sent.
func TestScopeOfSourceAlerts(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var a db.Alert
	w.tx(func(tx *db.Tx) (err error) {
		a, err = tx.LockAlert(w.ctx, db.Subject{Source: new("nws")}, "stale")
		if err == nil {
			a, _, err = tx.Advance(w.ctx, a, db.Transition{Event: "source.stale"})
		}
		return err
	})
	d := w.deliver(a, w.endpoint("ops"))
	for name, scope := range w.scopes() {
		_, err := w.Alert(w.ctx, scope, a.ID)
		require.NoError(t, err, name)
		_, deliveryErr := w.Delivery(w.ctx, scope, d.ID)
		lockErr := w.try(func(tx *db.Tx) error {
			_, err := tx.LockAlertByID(w.ctx, scope, a.ID)
			return err
		})
		if scope.All() {
			require.NoError(t, errors.Join(deliveryErr, lockErr))
			continue
		}
		require.ErrorIs(t, deliveryErr, db.ErrNotFound, name)
		require.ErrorIs(t, lockErr, db.ErrNotFound, name)
	}
}

// Lists in a scope have all that is in it and nothing else.
func TestScopeOfLists(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for name, scope := range w.scopes() {
		var want []uuid.UUID
		for _, c := range w.corner {
			if sees(scope, c) {
				want = append(want, c.pour.ID)
			}
		}
		l, err := w.Pours(w.ctx, scope, db.PourFilter{}, db.Page{})
		require.NoError(t, err)
		var got []uuid.UUID
		for _, p := range l.Items {
			got = append(got, p.ID)
		}
		require.ElementsMatch(t, want, got, name)
	}
}
