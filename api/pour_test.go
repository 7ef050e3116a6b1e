package api

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

func TestAPourFromPlanToRelease(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	b.taken()

	made := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("Bay 3", firstStart)})
	pour := made.is(201)
	path := "/v1/pours/" + pour.str("id")
	require.Equal(t, path, made.header.Get("Location"))
	require.Equal(t, `"1"`, made.header.Get("ETag"))
	require.Equal(t, "planned", pour["state"])
	require.Equal(t, "2026-01-15T13:00:00Z", pour["starts_at"])
	require.Equal(t, "2026-01-15T23:00:00Z", pour["occupied_until"], "the crew's day ends at 17:00 in Chicago")
	require.Equal(t, []uuid.UUID{uuid.MustParse(pour.str("id"))}, b.taken())

	got := b.do(call{method: "GET", path: path})
	require.Equal(t, pour, got.is(200))
	require.Equal(t, `"1"`, got.header.Get("ETag"))

	// Moved by a day, with all that hangs on the start.
	moved := b.do(call{method: "PATCH", path: path, header: map[string]string{"If-Match": `"1"`}, body: object{"starts_at": "2026-01-16T07:00:00-06:00"}})
	require.Equal(t, "2026-01-16T23:00:00Z", moved.is(200)["occupied_until"])
	require.Equal(t, `"2"`, moved.header.Get("ETag"))
	require.Len(t, b.taken(), 1)

	placed := b.do(call{method: "POST", path: path + "/place", body: object{"at": "2026-01-16T13:10:00Z"}}).is(200)
	require.Equal(t, "placed", placed["state"])
	require.Equal(t, "2026-01-16T13:10:00Z", placed["placed_at"])
	b.do(call{method: "POST", path: path + "/place", body: object{}}).wrong(409, "wrong_state")
	b.do(call{method: "POST", path: path + "/cancel", body: object{}}).wrong(409, "wrong_state")
	b.do(call{method: "POST", path: path + "/release", body: object{"at": "2026-01-16T13:00:00Z"}}).wrong(422, "invalid", "#/at out_of_range")
	b.do(call{method: "POST", path: path + "/release", body: object{"at": time.Now().Add(time.Hour).Format(time.RFC3339)}}).
		wrong(422, "invalid", "#/at out_of_range")
	released := b.do(call{method: "POST", path: path + "/release", body: object{}}).is(200)
	require.Equal(t, "released", released["state"])
	require.Len(t, b.taken(), 2)

	reopened := b.do(call{method: "POST", path: path + "/reopen", body: object{}}).is(200)
	require.Equal(t, "placed", reopened["state"])
	require.Nil(t, reopened["released_at"])
}
