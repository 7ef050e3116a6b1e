package alert_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var start = time.Date(2027, 1, 15, 13, 0, 0, 0, time.UTC)

func bad(s alert.Severity, cause string) alert.Judgement {
	return alert.Judgement{Known: true, Bad: true, Severity: s, Cause: cause, Start: start}
}

var (
	good   = alert.Judgement{Known: true, Start: start}
	silent = alert.Judgement{}
	old    = alert.Judgement{Known: true, Doubtful: true, Start: start}
	gone   = alert.Judgement{Known: true, Bad: true, Gone: "cancelled", Severity: alert.Critical}
)

// follow runs evaluations from a cleared alert and gives the events.
func follow(js ...alert.Judgement) (alert.State, []string) {
	s := alert.State{Condition: alert.Cleared, Severity: alert.Indeterminate, Verified: true}
	var events []string
	for _, j := range js {
		d := alert.Policy{}.Decide(s, j)
		s = d.State
		if d.Event != "" {
			events = append(events, strings.TrimPrefix(d.Event, "alert.")+":"+d.Reason)
		}
	}
	return s, events
}

// The expectations are the alert rules of RFC 8632 (an alarm is a state, a
// clear is always told) and our own that silence never clears.
func TestDecide(t *testing.T) {
	moved := bad(alert.Major, "ground.frozen")
	moved.Start = start.Add(24 * time.Hour)
	for name, tc := range map[string]struct {
		js   []alert.Judgement
		want string
	}{
		"nothing wrong":                 {[]alert.Judgement{good, good}, ""},
		"raised once":                   {[]alert.Judgement{bad(alert.Major, "a"), bad(alert.Major, "a"), bad(alert.Major, "a")}, "raised:condition_met"},
		"raised and cleared":            {[]alert.Judgement{bad(alert.Major, "a"), good, good}, "raised:condition_met cleared:condition_over"},
		"silence raises nothing":        {[]alert.Judgement{silent, silent}, ""},
		"silence clears nothing":        {[]alert.Judgement{bad(alert.Major, "a"), silent, silent, silent}, "raised:condition_met"},
		"old input clears nothing":      {[]alert.Judgement{bad(alert.Major, "a"), old, old}, "raised:condition_met"},
		"cleared after silence":         {[]alert.Judgement{bad(alert.Major, "a"), silent, good}, "raised:condition_met cleared:condition_over"},
		"more urgent":                   {[]alert.Judgement{bad(alert.Minor, "a"), bad(alert.Major, "a"), bad(alert.Critical, "a")}, "raised:condition_met changed:severity_rose changed:severity_rose"},
		"less urgent, and back":         {[]alert.Judgement{bad(alert.Major, "a"), bad(alert.Minor, "a"), bad(alert.Major, "a")}, "raised:condition_met"},
		"another cause":                 {[]alert.Judgement{bad(alert.Major, "a"), bad(alert.Major, "b")}, "raised:condition_met changed:new_cause"},
		"two causes taking turns":       {[]alert.Judgement{bad(alert.Major, "a"), bad(alert.Major, "b"), bad(alert.Major, "a"), bad(alert.Major, "b")}, "raised:condition_met changed:new_cause"},
		"moved to another bad day":      {[]alert.Judgement{bad(alert.Major, "ground.frozen"), moved, moved}, "raised:condition_met changed:start_moved"},
		"everything at once, told once": {[]alert.Judgement{bad(alert.Minor, "a"), moved}, "raised:condition_met changed:severity_rose"},
		"cancelled":                     {[]alert.Judgement{bad(alert.Major, "a"), gone, gone}, "raised:condition_met cleared:resource_gone"},
		"cancelled without an alert":    {[]alert.Judgement{good, gone}, ""},
		"again":                         {[]alert.Judgement{bad(alert.Major, "a"), good, bad(alert.Major, "a")}, "raised:condition_met cleared:condition_over raised:condition_met"},
	} {
		t.Run(name, func(t *testing.T) {
			_, events := follow(tc.js...)
			require.Equal(t, tc.want, strings.Join(events, " "))
		})
	}
}

func TestStateBetweenEvaluations(t *testing.T) {
	s, _ := follow(bad(alert.Major, "a"), silent)
	require.Equal(t, alert.Raised, s.Condition)
	require.False(t, s.Verified)
	s, _ = follow(bad(alert.Major, "a"), old)
	require.False(t, s.Verified)
	onOld := bad(alert.Major, "a")
	onOld.Doubtful = true
	s, events := follow(onOld)
	require.Equal(t, []string{"raised:condition_met"}, events, "old input that says bad is worth telling")
	require.False(t, s.Verified)
	s, _ = follow(bad(alert.Major, "a"), silent, bad(alert.Major, "a"))
	require.True(t, s.Verified)
	s, _ = follow(bad(alert.Critical, "a"), good, bad(alert.Minor, "a"))
	require.Equal(t, 2, s.Episode)
	require.Equal(t, alert.Memory{Peak: alert.Minor, Causes: []string{"a"}, Start: start}, s.Memory, "an episode begins afresh")
	s, _ = follow(bad(alert.Major, "a"), bad(alert.Minor, "a"))
	require.Equal(t, alert.Minor, s.Severity, "what is shown is the present")
	require.Equal(t, alert.Major, s.Memory.Peak)
}

// Whatever comes, raises and clears take turns, an episode is counted at each
// raise, and there is never a clear without a word from the evaluation.
func TestDecideInvariants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := alert.State{Condition: alert.Cleared}
		raises := 0
		for range rapid.IntRange(1, 40).Draw(t, "n") {
			j := alert.Judgement{
				Known: rapid.Bool().Draw(t, "known"), Bad: rapid.Bool().Draw(t, "bad"),
				Severity: rapid.SampledFrom([]alert.Severity{alert.Warning, alert.Minor, alert.Major, alert.Critical}).Draw(t, "severity"),
				Cause:    rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "cause"), Start: start,
				Doubtful: rapid.Bool().Draw(t, "doubtful"),
				Gone:     rapid.SampledFrom([]string{"", "", "", "", "released"}).Draw(t, "gone"),
			}
			before, remembered := s, len(s.Memory.Causes)
			d := alert.Policy{}.Decide(s, j)
			require.Len(t, before.Memory.Causes, remembered, "the old state is left alone")
			switch d.Event {
			case alert.EventRaised:
				require.Equal(t, alert.Cleared, before.Condition)
				require.True(t, j.Known && j.Bad && j.Gone == "")
				raises++
			case alert.EventCleared:
				require.Equal(t, alert.Raised, before.Condition)
				require.True(t, j.Gone != "" || j.Known && !j.Doubtful && !j.Bad)
			case alert.EventChanged:
				require.Equal(t, alert.Raised, before.Condition)
				require.Equal(t, alert.Raised, d.State.Condition)
			default:
				require.Equal(t, before.Condition, d.State.Condition)
			}
			require.Equal(t, raises, d.State.Episode)
			s = d.State
		}
	})
}

// The same verdict is more urgent the less time is left to act.
func TestSeverityFollowsTheTimeLeft(t *testing.T) {
	cancelBy := start.Add(-20 * time.Hour)
	for name, tc := range map[string]struct {
		verdict rules.Verdict
		p       *float64
		before  time.Duration // of the start
		placed  bool
		want    alert.Severity
	}{
		"place":                          {rules.Place, nil, time.Hour, false, ""},
		"move, a week ahead":             {rules.Move, nil, 7 * 24 * time.Hour, false, alert.Minor},
		"move, the day before":           {rules.Move, nil, 36 * time.Hour, false, alert.Major},
		"move, 2 h to cancel":            {rules.Move, nil, 22 * time.Hour, false, alert.Critical},
		"move, too late to cancel":       {rules.Move, nil, 19 * time.Hour, false, alert.Major},
		"move, 3 h to the start":         {rules.Move, nil, 3 * time.Hour, false, alert.Critical},
		"move, unlikely":                 {rules.Move, new(0.2), 22 * time.Hour, false, alert.Major},
		"move, likely":                   {rules.Move, new(0.8), 22 * time.Hour, false, alert.Critical},
		"move, unlikely and far":         {rules.Move, new(0.1), 7 * 24 * time.Hour, false, alert.Warning},
		"protect, the day before":        {rules.Protect, nil, 36 * time.Hour, false, alert.Warning},
		"protect, at the last moment":    {rules.Protect, nil, time.Hour, false, alert.Minor},
		"freezing in place":              {rules.Move, nil, -5 * time.Hour, true, alert.Critical},
		"no weather, the day before":     {rules.Unscored, nil, 36 * time.Hour, false, alert.Warning},
		"no weather, at the last moment": {rules.Unscored, nil, time.Hour, false, alert.Minor},
	} {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, tc.want, alert.SeverityOf(tc.verdict, tc.p, start.Add(-tc.before), cancelBy, start, tc.placed))
		})
	}
	require.True(t, alert.Critical.AtLeast(alert.Major))
	require.False(t, alert.Minor.AtLeast(alert.Major))
	require.True(t, alert.Indeterminate.AtLeast(alert.Warning), "an endpoint that takes warnings hears of silent sources")
}

func event() alert.Event {
	local := func(t time.Time) alert.EventMoment {
		zone, err := time.LoadLocation("America/Chicago")
		if err != nil {
			panic(err)
		}
		return alert.EventMoment{At: t, Local: rules.UnitsUS.Day(t.In(zone))}
	}
	return alert.Event{
		Type: alert.EventRaised, ID: uuid.MustParse("019b0000-0000-7000-8000-000000000001"), At: start.Add(-20 * time.Hour), Reason: alert.ReasonRaised,
		Alert: alert.EventAlert{Kind: alert.PourMove, Condition: alert.Raised, Severity: alert.Critical, Episode: 1, Transition: 1, Verified: true},
		Pour: &alert.EventPour{
			Name: "Loading dock slab", Site: "Mill Road", Crew: "North", Plant: "Quarry", Timezone: "America/Chicago",
			Starts: local(start), CancelBy: new(local(start.Add(-16 * time.Hour))), State: "planned",
		},
		Verdict: rules.Move, Was: rules.Place, Headline: "Move: the base is frozen",
		Finding: &alert.EventFinding{
			Rule: "ground.frozen", Title: "Frozen base", Sentence: "The base will be at 25 °F at 7:00 a.m., frozen 4 in deep",
			Observed: new(-3.9), Limit: new(-0.5), Unit: "°C", Probability: new(0.86), First: new(local(start)), LengthH: 30,
		},
		Remedy:     &alert.EventRemedy{Kind: "another_day", Sentence: "Thaw it under heated blankets for 2 days, or move"},
		NextWindow: new(local(start.Add(74 * time.Hour))),
		Links:      alert.EventLinks{Pour: "https://frostgate.example/pours/1"},
	}
}

func TestMessageSaysWhatWhereWhenWhyAndWhatToDo(t *testing.T) {
	e := event()
	e.Compose()
	require.Equal(t, "Move: Loading dock slab at Mill Road, start Fri Jan 15, 7:00 a.m. The base will be at 25 °F at 7:00 a.m., frozen 4 in deep. "+
		"Probability of that: 86 %. Thaw it under heated blankets for 2 days, or move. Next good start: Mon Jan 18, 9:00 a.m. "+
		"The order can be cancelled until Thu Jan 14, 3:00 p.m. https://frostgate.example/pours/1", e.Text)

	e.Type, e.Reason = alert.EventChanged, alert.ReasonSeverity
	e.Compose()
	require.True(t, strings.HasPrefix(e.Text, "Still move: Loading dock slab at Mill Road, start Fri Jan 15, 7:00 a.m. More urgent now. The base"), e.Text)

	e.Type, e.Reason, e.Verdict, e.Headline = alert.EventCleared, alert.ReasonRecovered, rules.Protect, "Protect: blankets by 4:00 p.m."
	e.Compose()
	require.Equal(t, "No longer move: Loading dock slab at Mill Road, start Fri Jan 15, 7:00 a.m. Protect: blankets by 4:00 p.m.", e.Text)

	e.Verdict = rules.Move // at a probability that is not worth an alert
	*e.Finding.Probability = 0.03
	e.Compose()
	require.True(t, strings.HasPrefix(e.Text, "Move unlikely now: Loading dock slab at Mill Road, start Fri Jan 15, 7:00 a.m. The base will be at 25 °F at 7:00 a.m., frozen 4 in deep. Probability of that: 3 %."), e.Text)

	e.Reason, e.Pour.State = alert.ReasonGone, "cancelled"
	e.Compose()
	require.Equal(t, "Over: Loading dock slab at Mill Road, start Fri Jan 15, 7:00 a.m.: the pour is cancelled.", e.Text)
}

func TestSourceMessages(t *testing.T) {
	e := alert.Event{Type: alert.EventRaised, Source: &alert.EventSource{Name: "open-meteo", IssuedAt: start}}
	e.Compose()
	require.Equal(t, "No fresh weather from open-meteo: the newest was issued 2027-01-15 13:00 UTC. Meanwhile verdicts that rest on it are not renewed, and no alert that does is cleared.", e.Text)
	e.Type = alert.EventCleared
	e.Compose()
	require.Equal(t, "Weather from open-meteo is fresh again: issued 2027-01-15 13:00 UTC.", e.Text)
}

func TestEventBytes(t *testing.T) {
	e := event()
	e.Compose()
	body, err := e.Bytes()
	require.NoError(t, err)
	var m map[string]any
	require.NoError(t, json.Unmarshal(body, &m))
	require.InDelta(t, 1, m["schema"], 0)
	require.Equal(t, "alert.raised", m["type"])
	require.Equal(t, "2027-01-15T13:00:00Z", m["pour"].(map[string]any)["starts"].(map[string]any)["at"])
	require.InDelta(t, -0.5, m["finding"].(map[string]any)["limit"], 0)
	require.NotContains(t, m, "source")
	require.Less(t, len(body), 20_000, "the specification advises against more")
}
