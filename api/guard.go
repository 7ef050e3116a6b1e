package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"frostgate/api/access"
	"frostgate/db"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humaecho"
	"github.com/google/uuid"
)

// patience bounds the work on one request.
const patience = 15 * time.Second

// admit lets a request on to its handler: a known token, within its rate, with a role that the operation names, and
// without a scope where the operation is about the firm as a whole.
func (a *API) admit(ctx huma.Context, next func(huma.Context)) {
	c := humaecho.Unwrap(ctx)
	limited, cancel := context.WithTimeout(ctx.Context(), patience)
	defer cancel()
	caller, err := a.gate.Identify(limited, bearer(ctx.Header("Authorization")), c.RealIP())
	if err != nil {
		a.refuse(ctx, unidentified(err))
		return
	}
	exchangeOf(ctx.Context()).caller = caller
	quota := a.gate.Allow(caller)
	ctx.SetHeader("RateLimit-Policy", fmt.Sprintf(`"token";q=%d;w=60`, quota.Limit))
	ctx.SetHeader("RateLimit", fmt.Sprintf(`"token";r=%d;t=%d`, quota.Remaining, wholeSeconds(quota.FullIn)))
	if !quota.OK {
		p := problem(http.StatusTooManyRequests, "rate_limited", "This token has asked too often; wait as long as Retry-After says.")
		p.retry = quota.RetryIn
		a.refuse(ctx, p)
		return
	}
	if p := forbidden(routeOf(ctx), caller); p != nil {
		a.refuse(ctx, p)
		return
	}
	next(huma.WithContext(ctx, limited))
}

// forbidden says no to everybody whom the route does not name.
func forbidden(r route, caller *access.Caller) *Problem {
	if !slices.Contains(r.roles, caller.Role) {
		return problem(http.StatusForbidden, "forbidden", fmt.Sprintf("A token with the role %s may not do this.", caller.Role))
	}
	if r.firmWide && !caller.Scope.All() {
		return problem(http.StatusForbidden, "forbidden", "This concerns the whole firm; the token is narrowed to some crews or plants.")
	}
	return nil
}

func unidentified(err error) *Problem {
	var tooMany *access.TooManyError
	switch {
	case errors.As(err, &tooMany):
		p := problem(http.StatusTooManyRequests, "rate_limited", "Too many unknown tokens came from this address; wait as long as Retry-After says.")
		p.retry = tooMany.RetryIn
		return p
	case errors.Is(err, access.ErrUnknown):
		p := problem(http.StatusUnauthorized, "unauthenticated", "Send a token that is valid, as in Authorization: Bearer fg_...")
		p.header = http.Header{"Www-Authenticate": {`Bearer realm="frostgate"`}}
		return p
	}
	return fromError(err)
}

// bearer reads the secret out of an Authorization header; empty when there is none.
func bearer(header string) string {
	scheme, secret, _ := strings.Cut(header, " ")
	if !strings.EqualFold(scheme, "bearer") {
		return ""
	}
	return strings.TrimSpace(secret)
}

// scopeOf is what the caller may see. Without a caller it is nothing.
func scopeOf(ctx context.Context) db.Scope {
	if caller := exchangeOf(ctx).caller; caller != nil {
		return caller.Scope
	}
	return db.Scope{Crews: []uuid.UUID{}, Plants: []uuid.UUID{}}
}

func wholeSeconds(d time.Duration) int { return int((d + time.Second - 1) / time.Second) }
