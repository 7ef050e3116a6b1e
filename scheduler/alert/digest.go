package alert

import (
	"fmt"
	"time"

	"frostgate/rules"
)

// EventDigestType is a message that goes through a day's pours.
const EventDigestType = "digest"

// A Digest is when an endpoint gets its day's pours in one message, in minutes of
// the local day: in the morning those of the day, in the afternoon those of the
// next. Nil is not at all.
type Digest struct {
	MorningMin   *int
	AfternoonMin *int
	Zone         *time.Location
}

// digestUse is how late a digest is still of use.
const digestUse = 2 * time.Hour

// Due is the latest digest whose time has come and that is still of use: when it
// was due, and the first moment of the local day that it goes through. Days of
// clock changes have theirs, once.
func (d Digest) Due(now time.Time) (at, day time.Time, due bool) {
	local := now.In(d.Zone)
	for _, one := range []struct {
		minute *int
		ahead  int
	}{{d.MorningMin, 0}, {d.AfternoonMin, 1}} {
		if one.minute == nil {
			continue
		}
		for back := 0; back >= -1; back-- { // one shortly before midnight is of use after it
			moment := onWall(local, back, *one.minute)
			if !moment.After(now) && now.Sub(moment) < digestUse && moment.After(at) {
				at, day, due = moment, onWall(local, back+one.ahead, 0), true
			}
		}
	}
	return at, day, due
}

// NewDigest makes the digest of a day. The pours are in the order of their starts,
// each with its name, place, verdict and reason.
func NewDigest(day time.Time, u rules.Units, pours []EventDigestPour) *EventDigest {
	d := &EventDigest{Day: day.Format(time.DateOnly), Title: u.Date(day), Pours: append([]EventDigestPour{}, pours...)}
	if more := len(pours) - MostItems; more > 0 {
		d.Pours, d.More = d.Pours[:MostItems], more
	}
	for i := range d.Pours {
		p := &d.Pours[i]
		verdict := string(p.Verdict)
		if verdict == "" {
			verdict = "not assessed yet"
		}
		p.Text = sentence(fmt.Sprintf("%s, %s at %s, crew %s: %s", p.Starts.Local, p.Name, p.Site, p.Crew, verdict))
		if p.Reason != "" && p.Verdict != rules.Place {
			p.Text += " " + sentence(p.Reason)
		}
	}
	return d
}
