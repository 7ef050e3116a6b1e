package api

import (
	"context"
	"net/http"
	"reflect"
	"time"

	"frostgate/api/access"
	"frostgate/db"

	"github.com/google/uuid"
)

// A TokenForm is a token as people ask for it.
type TokenForm struct {
	Name      string      `json:"name" minLength:"1" maxLength:"200" pattern:"[^\\s\\p{Z}]" patternDescription:"more than blanks" doc:"Of the person or program that bears it; the audit shows it." example:"Office tablet"`
	Role      access.Role `json:"role" enum:"dispatcher,viewer,field" doc:"dispatcher: everything; viewer: read; field: read, enter observations, acknowledge alerts."`
	CrewIDs   []uuid.UUID `json:"crew_ids,omitempty" format:"uuid" maxItems:"200" doc:"Narrows it to what these crews do; all crews when absent."`
	PlantIDs  []uuid.UUID `json:"plant_ids,omitempty" format:"uuid" maxItems:"200" doc:"Narrows it to what these plants supply; all plants when absent."`
	ExpiresAt *time.Time  `json:"expires_at,omitempty"`
}

// A Token is a stored token, without its secret.
type Token struct {
	Saved
	TokenForm
	Prefix     string     `json:"prefix" doc:"Beginning of the secret, to tell tokens apart."`
	RevokedAt  *time.Time `json:"revoked_at"`
	LastUsedAt *time.Time `json:"last_used_at" doc:"To the minute."`
}

// A NewToken is a token with its secret, which is shown this once.
type NewToken struct {
	Token
	Secret string `json:"secret,omitempty" doc:"Shown once, and stored nowhere. Send it as Authorization: Bearer."`
}

// Me is who the caller is.
type Me struct {
	TokenID  uuid.UUID   `json:"token_id" format:"uuid"`
	Name     string      `json:"name"`
	Role     access.Role `json:"role" enum:"dispatcher,viewer,field"`
	CrewIDs  []uuid.UUID `json:"crew_ids,omitempty" format:"uuid"`
	PlantIDs []uuid.UUID `json:"plant_ids,omitempty" format:"uuid"`
}

func tokenView(t db.Token) Token {
	return Token{Saved: saved(t.Record), TokenForm: tokenForm(t), Prefix: t.Prefix, RevokedAt: t.RevokedAt, LastUsedAt: t.LastUsedAt}
}

func tokenForm(t db.Token) TokenForm {
	return TokenForm{Name: t.Name, Role: access.Role(t.Role), CrewIDs: t.CrewIDs, PlantIDs: t.PlantIDs, ExpiresAt: t.ExpiresAt}
}

func fillToken(ctx context.Context, tx *db.Tx, f TokenForm, t db.Token) (db.Token, error) {
	t.Name, t.Role, t.CrewIDs, t.PlantIDs, t.ExpiresAt = neat(f.Name), string(f.Role), f.CrewIDs, f.PlantIDs, utc(f.ExpiresAt)
	return t, checkScope(ctx, tx, f.CrewIDs, f.PlantIDs)
}

// checkScope refuses crews and plants that are not there.
func checkScope(ctx context.Context, tx *db.Tx, crews, plants []uuid.UUID) error {
	for i, id := range crews {
		if _, err := tx.Crew(ctx, db.Scope{}, id); err != nil {
			return missing(err, indexed("/crew_ids", i))
		}
	}
	for i, id := range plants {
		if _, err := tx.Plant(ctx, db.Scope{}, id); err != nil {
			return missing(err, indexed("/plant_ids", i))
		}
	}
	return nil
}

func (a *API) serveTokens() {
	const tag, path, item = "Firm", "/v1/tokens", "/v1/tokens/{id}"
	serve(a, route{
		method: http.MethodGet, path: "/v1/me", id: "get-me", tag: tag, summary: "Read what the token may do", roles: anyRole,
	}, func(ctx context.Context, _ *struct{}) (*answered[Me], error) {
		c := exchangeOf(ctx).caller
		return &answered[Me]{Body: Me{TokenID: c.TokenID, Name: c.Name, Role: c.Role, CrewIDs: c.Scope.Crews, PlantIDs: c.Scope.Plants}}, nil
	})
	serve(a, route{
		method: http.MethodGet, path: path, id: "list-tokens", tag: tag, summary: "List tokens", about: "Those revoked, too.",
		roles: dispatchers, firmWide: true,
	}, func(ctx context.Context, in *PageInput) (*listed[Token], error) {
		page, err := in.page(ctx)
		if err != nil {
			return nil, err
		}
		found, err := a.db.Tokens(ctx, page)
		if err != nil {
			return nil, err
		}
		return answerList(ctx, found, tokenView), nil
	})
	serve(a, route{
		method: http.MethodPost, path: path, id: "create-token", tag: tag, summary: "Make a token",
		about: "The answer holds its secret, this once: a repeated request with the same Idempotency-Key is answered without it.",
		roles: dispatchers, firmWide: true, success: http.StatusCreated,
	}, a.createToken)
	serve(a, route{
		method: http.MethodGet, path: item, id: "get-token", tag: tag, summary: "Read a token", roles: dispatchers, firmWide: true,
	}, func(ctx context.Context, in *getInput) (*one[Token], error) {
		token, err := a.db.Token(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		return answerOne(tokenView(token), etag(token.Version), in.NoneMatch), nil
	})
	serve(a, route{
		method: http.MethodPatch, path: item, id: "patch-token", tag: tag, summary: "Change name, role, scope or expiry of a token",
		about: "Works within seconds.", roles: dispatchers, firmWide: true,
		body: patchBody(a.huma.OpenAPI().Components.Schemas, reflect.TypeFor[TokenForm]()),
	}, func(ctx context.Context, in *patchInput) (*one[Token], error) {
		return a.changeToken(ctx, in.ID, in.Match, func(tx *db.Tx, current db.Token) (db.Token, error) {
			form, err := mergePatch(a, tokenForm(current), exchangeOf(ctx).body)
			if err != nil {
				return current, err
			}
			filled, err := fillToken(ctx, tx, form, current)
			if err != nil {
				return current, err
			}
			return tx.UpdateToken(ctx, filled)
		})
	})
	serve(a, route{
		method: http.MethodDelete, path: item, id: "revoke-token", tag: tag, summary: "Revoke a token",
		about: "For good, within seconds. It stays in the list.", roles: dispatchers, firmWide: true,
	}, func(ctx context.Context, in *deleteInput) (*struct{}, error) {
		_, err := a.changeToken(ctx, in.ID, in.Match, func(tx *db.Tx, current db.Token) (db.Token, error) {
			return tx.RevokeToken(ctx, current.ID, current.Version)
		})
		return nil, err
	})
}

func (a *API) createToken(ctx context.Context, in *createInput[TokenForm]) (*created[NewToken], error) {
	return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[NewToken], error) {
		token, err := fillToken(ctx, tx, in.Body, db.Token{})
		if err != nil {
			return nil, err
		}
		if token.ExpiresAt != nil && !token.ExpiresAt.After(tx.Now()) {
			return nil, invalid(atPointer("/expires_at", "out_of_range", "must lie in the future"))
		}
		token, secret, err := access.Grant(ctx, tx, token)
		if err != nil {
			return nil, err
		}
		view := NewToken{Token: tokenView(token)}
		answer := born(view, token.Version, "/v1/tokens/"+token.ID.String())
		answer.keep, answer.Body.Secret = &view, secret
		return answer, nil
	})
}

func (a *API) changeToken(ctx context.Context, id uuid.UUID, match Match, change func(*db.Tx, db.Token) (db.Token, error)) (*one[Token], error) {
	var stored db.Token
	err := a.edit(ctx, func(tx *db.Tx) error {
		current, err := tx.Token(ctx, id)
		if err != nil {
			return err
		}
		if err := match.check(current.Version); err != nil {
			return err
		}
		stored, err = change(tx, current)
		return err
	})
	if err != nil {
		return nil, err
	}
	return answerOne(tokenView(stored), etag(stored.Version), NoneMatch{}), nil
}
