package scheduler

import (
	"context"
	"fmt"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// planCalls keeps what the clock will have to say of pours that were assessed
// anew, or are gone.
func (r *round) planCalls(ctx context.Context, verdicts []judged) error {
	var pours []uuid.UUID
	var calls []db.Call
	for _, v := range verdicts {
		gone := v.in.Pour.State != db.Planned && v.in.Pour.State != db.Placed
		if v.assessment == nil && !gone {
			continue
		}
		pours = append(pours, v.in.Pour.ID)
		if gone {
			continue
		}
		c, err := courseOf(v.in, v.assessment)
		if err != nil {
			return err
		}
		for _, call := range alert.Calls(c) {
			calls = append(calls, db.Call{
				PourID: v.in.Pour.ID, Type: call.Type, Day: dayOf(c.StartsAt.In(c.Zone)), At: call.At, Until: call.Until,
				Severity: string(call.Severity),
			})
		}
	}
	if len(pours) == 0 {
		return nil
	}
	return r.tx.PlanCalls(ctx, pours, calls)
}

// dayOf is a local date as the database keeps it.
func dayOf(local time.Time) time.Time {
	return time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.UTC)
}

func courseOf(in db.PourInput, a *rules.Assessment) (alert.Course, error) {
	zone, err := time.LoadLocation(in.Site.Timezone)
	if err != nil {
		return alert.Course{}, fmt.Errorf("load zone: %w", err)
	}
	return alert.Course{
		Placed: in.Pour.State == db.Placed, StartsAt: startOf(in.Pour), CancelBy: in.Pour.CancelBy, Zone: zone,
		Latitude: in.Site.Latitude, Longitude: in.Site.Longitude, Planned: in.Pour.Protection, Assessment: a,
	}, nil
}

// mostCalls bounds one look; the rest is the next one's.
const mostCalls = 200

// sayCalls says what the clock has to say now. What came too late to be of use is
// kept as missed.
func (s *Scheduler) sayCalls(ctx context.Context) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		now := tx.Clock()
		due, err := tx.DueCalls(ctx, now, mostCalls)
		if err != nil || len(due) == 0 {
			return err
		}
		firm, err := tx.Firm(ctx)
		if err != nil {
			return err
		}
		ids := make([]uuid.UUID, len(due))
		for i, c := range due {
			ids[i] = c.PourID
		}
		slices.SortFunc(ids, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
		inputs, err := tx.PourInputs(ctx, slices.Compact(ids))
		if err != nil {
			return err
		}
		n := &notifier{s: s, tx: tx, firm: firm, now: now}
		for _, c := range due {
			if err := n.call(ctx, c, inputs); err != nil {
				return fmt.Errorf("%s of pour %s: %w", c.Type, c.PourID, err)
			}
		}
		return n.finish(ctx)
	})
}

// call says one call, or drops it when its time is over or its pour is gone.
func (n *notifier) call(ctx context.Context, c db.Call, inputs []db.PourInput) error {
	at := slices.IndexFunc(inputs, func(in db.PourInput) bool { return in.Pour.ID == c.PourID })
	if at < 0 || !n.now.Before(c.Until) || inputs[at].Pour.State != db.Planned && inputs[at].Pour.State != db.Placed {
		return n.tx.SettleCall(ctx, c, nil)
	}
	in := inputs[at]
	e, err := n.callEvent(ctx, c, in)
	if err != nil {
		return err
	}
	if len(e.Call.Said) == 0 { // overtaken by an assessment just made
		return n.tx.SettleCall(ctx, c, nil)
	}
	id, err := n.tell(ctx, matterOf(c, in), e, db.Notice{Type: e.Type, Reason: alert.ReasonClock})
	if err != nil {
		return err
	}
	return n.tx.SettleCall(ctx, c, &id)
}

func (n *notifier) callEvent(ctx context.Context, c db.Call, in db.PourInput) (*alert.Event, error) {
	p := in.Pour
	var document *rules.Assessment
	if p.AssessmentID != nil {
		stored, err := n.tx.Assessment(ctx, db.Scope{}, *p.AssessmentID)
		if err != nil {
			return nil, err
		}
		a, err := stored.Decode()
		if err != nil {
			return nil, err
		}
		document = &a
	}
	course, err := courseOf(in, document)
	if err != nil {
		return nil, err
	}
	say, err := n.speaker(in.Site.Timezone)
	if err != nil {
		return nil, err
	}
	e := &alert.Event{
		Type: c.Type, At: n.now, Reason: alert.ReasonClock, Verdict: p.Verdict, Headline: p.WorstReason,
		Pour:  n.eventPour(in, say),
		Call:  &alert.EventCall{Due: say(c.At), Until: say(c.Until), Severity: alert.Severity(c.Severity), Said: course.Words(c.Type, n.firm.Units)},
		Links: alert.EventLinks{Pour: n.s.pageOf("pours", p.ID)},
	}
	e.Compose()
	return e, nil
}
