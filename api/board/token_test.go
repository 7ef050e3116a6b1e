package board_test

import (
	"net/url"
	"regexp"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

func TestTokensAreMadeAndRevokedByForm(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	form := url.Values{
		"name": {"Foreman north"}, "role": {"field"}, "expires_at": {"2027-01-01T07:00"}, "crew_ids": {"", w.crews[0].ID.String()}, "plant_ids": {""},
	}
	past := b.post("/firm/tokens/new", form)
	require.Equal(t, 422, past.status)
	require.Contains(t, fieldOf(t, past.body, "expires_at"), "must lie in the future")
	made := b.post("/firm/tokens/new", with(form, "expires_at", "2027-04-01T07:00"))
	require.Equal(t, 201, made.status, made.body)
	secret := regexp.MustCompile(`value="(fg_[^"]+)"`).FindStringSubmatch(made.body)
	require.NotNil(t, secret)
	foreman := browser{w, secret[1]}
	week := foreman.get("/").body
	require.Contains(t, week, "Bay 3 slab")
	require.NotContains(t, week, "Loading dock", "of another crew")

	list := b.get("/firm/tokens").body
	require.Contains(t, list, "Foreman north")
	require.Contains(t, list, "1 crew")
	require.Contains(t, list, "Thu Apr 1, 7:00\u00a0a.m.")
	require.NotContains(t, list, secret[1])
	tokens, err := w.db.Tokens(t.Context(), db.Page{})
	require.NoError(t, err)
	id := ""
	for _, token := range tokens.Items {
		if token.Name == "Foreman north" {
			id = token.ID.String()
			require.Equal(t, time.Date(2027, 4, 1, 12, 0, 0, 0, time.UTC), token.ExpiresAt.UTC(), "7:00 a.m. in Chicago, in summer time")
		}
	}
	require.Equal(t, 303, b.post("/firm/tokens/"+id+"/delete", url.Values{"version": {"1"}}).status)
	revoked, err := w.db.Token(t.Context(), uuid.MustParse(id))
	require.NoError(t, err)
	require.NotNil(t, revoked.RevokedAt)
	require.Contains(t, b.get("/firm/tokens").body, "revoked Wed Jan 13")
	require.Equal(t, 403, w.as(access.Viewer).get("/firm/tokens").status)
	require.Equal(t, 403, w.as(access.Field).post("/firm/tokens/new", form).status)
}

func TestMessagesAreSentAgainAndSecretsChanged(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	told, err := w.db.Deliveries(t.Context(), everything, db.DeliveryFilter{EndpointID: w.endpoint.ID}, db.Page{})
	require.NoError(t, err)
	path := "/deliveries/" + told.Items[0].ID.String()
	require.NotContains(t, b.get(path).body, "Send again", "it is on its way")
	require.Equal(t, 409, b.post(path+"/again", url.Values{}).status)
	w.tx(func(tx *db.Tx) error {
		_, err := tx.PGX().Exec(t.Context(), "update deliveries set state = 'dead', settled_at = now(), next_attempt_at = null")
		return err
	})
	require.Contains(t, b.get(path).body, "Send again")
	require.Contains(t, b.get(path+"/again").body, "under the same id")
	require.Equal(t, 303, b.post(path+"/again", url.Values{}).status)
	again, err := w.db.Delivery(t.Context(), everything, told.Items[0].ID)
	require.NoError(t, err)
	require.Equal(t, "pending", again.State)
	require.Equal(t, 403, w.as(access.Viewer).post(path+"/again", url.Values{}).status)

	rotate := "/firm/endpoints/" + w.endpoint.ID.String() + "/rotate"
	require.Contains(t, b.get(rotate).body, "For a day")
	require.Contains(t, b.post(rotate, url.Values{}).body, `value="whsec_`)
	require.Equal(t, 403, w.as(access.Viewer).post(rotate, url.Values{}).status)
}
