package board

import (
	"encoding/json"
	"testing"

	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

func TestAnExplanationReadsAsTheAPIGivesIt(t *testing.T) {
	t.Parallel()
	var d doc
	require.NoError(t, json.Unmarshal([]byte(`{"summary": "One was told, one is held.", "why": [{"at": "2027-01-13T20:00:00Z", "rule": "x", "sentence": "The verdict is move."}],
		"messages": [{"at": "2027-01-13T20:00:00Z", "type": "alert.raised", "text": "Move.", "rulings": [
			{"endpoint": "Chat", "ruling": "now", "sentence": "It takes all.", "told_at": "2027-01-13T20:01:00Z", "delivery_id": "7", "delivery_state": "accepted"},
			{"endpoint": "Phone", "ruling": "hold", "sentence": "Quiet hours.", "due_at": "2027-01-14T12:00:00Z"},
			{"endpoint": "Plant", "ruling": "never", "sentence": "Another plant."}]}],
		"coming": [{"at": "2027-01-13T22:00:00Z", "event": "alert.reminder", "sentence": "A reminder, if nobody acknowledges."}]}`), &d))
	e := explained(newVoice(rules.UnitsUS, "America/Chicago"), d)
	require.Equal(t, "One was told, one is held.", e.Summary)
	require.Equal(t, []reason{{"Wed Jan 13, 2:00 p.m.", "The verdict is move."}}, e.Why)
	require.Equal(t, []rulingLine{
		{"Chat", "Told", "It takes all.", "Wed Jan 13, 2:01 p.m., taken", "/deliveries/7"},
		{"Phone", "Held back", "Quiet hours.", "due Thu Jan 14, 6:00 a.m.", ""},
		{"Plant", "Not told", "Another plant.", "", ""},
	}, e.Messages[0].Rulings)
	require.Equal(t, "Raised", e.Messages[0].What)
	require.Len(t, e.Coming, 1)
}
