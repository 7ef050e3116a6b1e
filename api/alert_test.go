package api

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Shelving is limited in time and gives its reason (RFC 8632, 4.3); the history tells who did it.
func TestAnAlertIsShelvedForATime(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	path := "/v1/alerts/" + w.ids["/v1/alerts/"]
	for name, tc := range map[string]struct {
		body object
		want string
	}{
		"no reason":   {object{"hours": 2}, "#/reason required"},
		"empty":       {object{"hours": 2, "reason": ""}, "#/reason length"},
		"no end":      {object{"reason": "x"}, "#/hours required"},
		"over a week": {object{"reason": "x", "hours": 168.5}, "#/hours out_of_range"},
		"no time":     {object{"reason": "x", "hours": 0}, "#/hours out_of_range"},
	} {
		a := w.do(call{method: "POST", path: path + "/shelve", body: tc.body})
		require.Equal(t, 422, a.status, name)
		a.wrong(422, "invalid", tc.want)
	}
	w.do(call{method: "POST", path: path + "/unshelve"}).wrong(409, "wrong_state")
	shelved := w.do(call{method: "POST", path: path + "/shelve", body: object{"reason": "The crew knows.", "hours": 2}}).is(200)
	require.Equal(t, "shelved", shelved["operator_state"])
	require.Equal(t, "raised", shelved["condition"], "what people do is kept apart from what is")
	until, err := time.Parse(time.RFC3339, shelved.str("shelved_until"))
	require.NoError(t, err)
	require.WithinDuration(t, time.Now().Add(2*time.Hour), until, time.Minute)
	back := w.do(call{method: "POST", path: path + "/unshelve"}).is(200)
	require.Equal(t, "none", back["operator_state"])
	require.Nil(t, back["shelved_until"])
	history := w.do(call{method: "GET", path: path + "/history"}).is(200)
	var events []any
	for _, item := range history["items"].([]any) {
		events = append(events, item.(map[string]any)["event"])
	}
	require.Equal(t, []any{"alert.raised", "alert.shelved", "alert.unshelved"}, events)
}
