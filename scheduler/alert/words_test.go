package alert_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// A teller makes messages of every kind on one slab, in some units.
type teller struct {
	u    rules.Units
	zone *time.Location
}

func (l teller) moment(at time.Time) alert.EventMoment {
	return alert.EventMoment{At: at, Local: l.u.Day(at.In(l.zone))}
}

// wednesday is two days before the slab starts.
var wednesday = time.Date(2027, 1, 13, 20, 10, 0, 0, time.UTC)

func (l teller) alert(kind, reason string, change func(*alert.Event)) *alert.Event {
	start, cancelBy, next := l.moment(wednesday.Add(42*time.Hour)), l.moment(wednesday.Add(30*time.Hour)), l.moment(wednesday.Add(114*time.Hour))
	cold, limit, chance := -6.1, -0.5, 0.86
	e := &alert.Event{
		Type: kind, Reason: reason, ID: uuid.Max, At: wednesday.Add(5 * time.Hour),
		Alert: alert.EventAlert{
			ID: uuid.Max, Kind: alert.PourMove, Condition: alert.Raised, Severity: alert.Major, Episode: 1, Transition: 1, RaisedAt: wednesday, Verified: true,
		},
		Pour: &alert.EventPour{
			Name: "Dock slab", Site: "Mill Road", Crew: "North", Plant: "Quarry", Timezone: "America/Chicago", Starts: start, CancelBy: &cancelBy, State: "planned",
		},
		Verdict: rules.Move, Headline: "Move: the base is frozen at the start",
		Finding: &alert.EventFinding{
			Rule: "ground.frozen", Title: "Frozen base", Observed: &cold, Limit: &limit, Unit: "°C", Probability: &chance,
			Sentence: fmt.Sprintf("The base is frozen at the start: surface %s, frost %s deep.", l.u.Temp(cold), l.u.Length(101.6)),
		},
		Remedy:     &alert.EventRemedy{Sentence: fmt.Sprintf("Heat the base under blankets of %s for 62 hours, or move.", l.u.RValue(0.7))},
		NextWindow: &next,
		Weather: []alert.EventWeather{
			{Source: "nws", IssuedAt: wednesday, Issued: l.moment(wednesday).Local}, {Source: "local", IssuedAt: wednesday, Issued: l.moment(wednesday.Add(time.Hour)).Local},
		},
	}
	if kind != alert.EventRaised {
		e.Since = l.moment(wednesday).Local
	}
	if change != nil {
		change(e)
	}
	e.Compose()
	return e
}

func (l teller) alerts() []*alert.Event {
	first := func(e *alert.Event) { e.First = true }
	over := func(e *alert.Event) {
		e.Alert.Condition, e.Verdict, e.Headline = alert.Cleared, rules.Protect, fmt.Sprintf("Protect: blankets of %s by Fri %s", l.u.RValue(0.7), l.u.Hour(wednesday.Add(2*time.Hour)))
	}
	before := func(e *alert.Event) {
		e.Before = &alert.EventBefore{Said: []string{"The verdict was protect", "The probability was 55 %", "Before, it was to begin on " + l.moment(wednesday.Add(33*time.Hour)).Local}}
	}
	return []*alert.Event{
		l.alert(alert.EventRaised, alert.ReasonRaised, nil),
		l.alert(alert.EventRaised, alert.ReasonRaised, func(e *alert.Event) { e.NextWindow, e.Pour.CancelBy, e.Weather = nil, nil, e.Weather[:1] }),
		l.alert(alert.EventRaised, alert.ReasonRaised, func(e *alert.Event) { e.Alert.Verified = false }),
		l.alert(alert.EventChanged, alert.ReasonSeverity, before),
		l.alert(alert.EventChanged, alert.ReasonSeverity, first),
		l.alert(alert.EventChanged, alert.ReasonCause, nil),
		l.alert(alert.EventChanged, alert.ReasonStart, nil),
		l.alert(alert.EventReminder, alert.ReasonNobody, nil),
		l.alert(alert.EventEscalated, alert.ReasonNobody, first),
		l.alert(alert.EventAckExpired, alert.ReasonAckOver, nil),
		l.alert(alert.EventUnshelved, alert.ReasonShelfOver, nil),
		l.alert(alert.EventUnsuppressed, alert.ReasonPlanOver, nil),
		l.alert(alert.EventChattering, alert.ReasonChattering, nil),
		l.alert(alert.EventSettled, alert.ReasonSettled, nil),
		l.alert(alert.EventSettled, alert.ReasonSettled, over),
		l.alert(alert.EventCleared, alert.ReasonRecovered, over),
		l.alert(alert.EventCleared, alert.ReasonRecovered, func(e *alert.Event) { e.Alert.Condition, *e.Finding.Probability = alert.Cleared, 0.004 }),
		l.alert(alert.EventCleared, alert.ReasonStart, over),
		l.alert(alert.EventCleared, alert.ReasonGone, func(e *alert.Event) { e.Pour.State, e.Alert.Condition = "cancelled", alert.Cleared }),
		l.alert(alert.EventAcknowledged, alert.ReasonPerson, func(e *alert.Event) { e.Handling = l.handling("The heaters are on their way") }),
		l.alert(alert.EventUnacknowledged, alert.ReasonPerson, func(e *alert.Event) { e.Handling = &alert.EventHandling{By: "Ann"} }),
		l.alert(alert.EventShelved, alert.ReasonPerson, func(e *alert.Event) { e.Handling = l.handling("") }),
	}
}

func (l teller) handling(note string) *alert.EventHandling {
	until := l.moment(wednesday.Add(9 * time.Hour))
	return &alert.EventHandling{By: "Ann", Note: note, Until: &until}
}

func (l teller) sources() (events []*alert.Event) {
	issued := alert.EventSource{Name: "nws", IssuedAt: wednesday, Issued: l.moment(wednesday).Local}
	for _, e := range []*alert.Event{
		{Type: alert.EventRaised, Source: &alert.EventSource{Name: "nws"}},
		{Type: alert.EventRaised, Source: &issued},
		{Type: alert.EventAckExpired, Reason: alert.ReasonAckOver, Source: &issued, Since: l.moment(wednesday).Local},
		{Type: alert.EventAcknowledged, Reason: alert.ReasonPerson, Source: &issued, Handling: l.handling("")},
		{Type: alert.EventCleared, Source: &issued},
	} {
		e.Compose()
		events = append(events, e)
	}
	return events
}

func (l teller) calls() (events []*alert.Event) {
	start := wednesday.Add(42 * time.Hour)
	hour := func(h float64) *time.Time { return new(start.Add(time.Duration(h * float64(time.Hour)))) }
	sample := l.alert(alert.EventRaised, "", nil)
	planned := alert.Course{StartsAt: start, CancelBy: &sample.Pour.CancelBy.At, Zone: l.zone, Latitude: 42, Longitude: -88}
	protect := &rules.Assessment{
		Verdict: rules.Protect, Headline: "Protect: cover it from the evening on", CriticalMPa: 3.45,
		Batch: &rules.Batch{OrderM3: 9.4, WaterTempC: new(64.0), PlacedTempC: 13}, Ground: &rules.Ground{SurfaceC: -0.3, FrostDepthMM: 19},
		Protection: &rules.ProtectionPlan{
			Layers: 2, RM2KW: 1.4, DoubleEdges: true, OnAt: hour(12), OffAt: hour(84), CoolDropC: 27.8,
			IfLate2H: "Two hours late, the coldest concrete is " + l.u.Temp(3) + " before it has " + l.u.Stress(3.45) + ", and does not freeze.",
		},
		Protected: &rules.Protected{
			Batch: &rules.Batch{
				OrderM3: 9.4, WaterTempC: new(64.0), PlacedTempC: 13, Accelerators: []rules.Dose{{Kind: "nonchloride_accelerator", MassKg: 82}},
			},
			Timeline: rules.Timeline{SawcutFromAt: hour(16), SawcutUntilAt: hour(24), ProtectUntilAt: hour(80)},
		},
		Timeline: rules.Timeline{BlanketsOnBy: hour(20)},
	}
	move := &rules.Assessment{Verdict: rules.Move, Headline: sample.Headline, Batch: protect.Batch, Ground: &rules.Ground{SurfaceC: -6.1, FrostDepthMM: 500}}
	uncovered := &rules.Assessment{Verdict: rules.Place, CriticalMPa: 3.45, Timeline: rules.Timeline{UncoverFromAt: hour(30), SawcutFromAt: hour(5)}}
	for _, c := range []struct {
		call   string
		placed bool
		of     *rules.Assessment
	}{
		{alert.CallAfternoon, false, nil},
		{alert.CallAfternoon, false, protect},
		{alert.CallAfternoon, false, move},
		{alert.CallCancel, false, move},
		{alert.CallBase, false, protect},
		{alert.CallBase, false, move},
		{alert.CallCover, true, protect},
		{alert.CallSaw, true, protect},
		{alert.CallSaw, true, uncovered},
		{alert.CallUncover, true, protect},
		{alert.CallUncover, true, uncovered},
	} {
		course, pour := planned, *sample.Pour
		course.Assessment, course.Placed = c.of, c.placed
		if c.placed {
			pour.State = "placed"
		}
		e := &alert.Event{Type: c.call, ID: uuid.Max, Reason: alert.ReasonClock, Pour: &pour, Call: &alert.EventCall{Said: course.Words(c.call, l.u)}}
		e.Compose()
		events = append(events, e)
	}
	return events
}

func (l teller) digests() (events []*alert.Event) {
	day := wednesday.Add(42 * time.Hour).In(l.zone)
	pour := func(name string, v rules.Verdict, reason string) alert.EventDigestPour {
		p := alert.EventDigestPour{EventPour: *l.alert(alert.EventRaised, "", nil).Pour, Verdict: v, Reason: reason}
		p.Name, p.Starts.Local = name, l.u.Hour(day)
		return p
	}
	many := make([]alert.EventDigestPour, alert.MostItems+2)
	for i := range many {
		many[i] = pour(fmt.Sprintf("Footing %d", i+1), rules.Place, "")
	}
	for _, pours := range [][]alert.EventDigestPour{
		nil,
		{pour("Steps", "", "")},
		{pour("Dock slab", rules.Move, "The base is frozen at the start"), pour("Wall", rules.Protect, "It freezes before it is strong"), pour("Pad", rules.Place, "")},
		many,
	} {
		e := &alert.Event{Type: alert.EventDigestType, ID: uuid.Max, Digest: alert.NewDigest(day, l.u, pours)}
		e.Compose()
		events = append(events, e)
	}
	return events
}

func (l teller) groups() []*alert.Event {
	several := []*alert.Event{l.alerts()[0], l.alerts()[3], l.alerts()[7], l.alerts()[15], l.alerts()[18], l.alerts()[19], l.sources()[1], l.calls()[1]}
	for i := range 14 {
		several = append(several, l.alert(alert.EventRaised, alert.ReasonRaised, func(e *alert.Event) { e.Pour.Name = fmt.Sprintf("Footing %d", i+1) }))
	}
	return []*alert.Event{alert.Grouped(uuid.Max, wednesday, several, make([]alert.EventCover, 20), "https://frostgate.example/alerts")}
}

// TestGoldenWords holds what every kind of message says, in both systems of units;
// read it as a foreman and a dispatcher when it changes. UPDATE_GOLDEN=1 writes it
// anew.
func TestGoldenWords(t *testing.T) {
	t.Parallel()
	for _, u := range []rules.Units{rules.UnitsUS, rules.UnitsSI} {
		l := teller{u, zone(t, "America/Chicago")}
		var out strings.Builder
		for _, events := range [][]*alert.Event{l.alerts(), l.sources(), l.calls(), l.digests(), l.groups()} {
			for _, e := range events {
				_, body := write(t, e, alert.FormText)
				fmt.Fprintf(&out, "== %s %s\n%s\n\n", e.Type, e.Reason, body)
			}
		}
		text := out.String()
		for _, wrong := range []string{"..", "%!", "NaN", "  ", " .", "1 pours", "<nil>", "0001"} {
			require.NotContains(t, strings.ReplaceAll(text, ".m..", ".m."), wrong)
		}
		foreign := map[rules.Units]string{rules.UnitsUS: `°C|\d (mm|cm|kg|m³|MPa)|m²|\b(00|1[3-9]|2\d):\d\d`, rules.UnitsSI: `°F|\d (in|lb|psi|yd³)\b|R-\d|[ap]\.m\.`}
		require.NotRegexp(t, foreign[u], text)
		file := filepath.Join("testdata", "words_"+string(u)+".txt")
		if os.Getenv("UPDATE_GOLDEN") != "" {
			require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, string(want), text)
	}
}
