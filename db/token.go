package db

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// Token lets its bearer in. Only the hash of the secret is stored.
type Token struct {
	Record
	Name       string
	Role       string // dispatcher, viewer or field
	CrewIDs    []uuid.UUID
	PlantIDs   []uuid.UUID
	Hash       []byte // SHA-256 of the secret
	Prefix     string // beginning of the secret, to tell tokens apart
	ExpiresAt  *time.Time
	RevokedAt  *time.Time
	LastUsedAt *time.Time // to the minute
}

// Scope is what the token narrows its bearer to.
func (t Token) Scope() Scope { return Scope{Crews: t.CrewIDs, Plants: t.PlantIDs} }

// ValidAt tells that the token is neither revoked nor expired.
func (t Token) ValidAt(now time.Time) bool {
	return t.RevokedAt == nil && (t.ExpiresAt == nil || now.Before(*t.ExpiresAt))
}

const tokenColumns = `t.id, t.version, t.created_at, t.updated_at, t.name, t.role, t.crew_ids, t.plant_ids, t.hash, t.prefix,
	t.expires_at, t.revoked_at, t.last_used_at`

//nolint:gosec // a statement, not a credential
const selectTokenByHash = `select ` + tokenColumns + ` from tokens t where t.hash = @hash`

// TokenByHash gives the token of a secret, valid or not.
func (r reads) TokenByHash(ctx context.Context, hash []byte) (Token, error) {
	t, err := one[Token](ctx, r.q, selectTokenByHash, args{"hash": hash})
	if err != nil {
		return Token{}, fmt.Errorf("load token: %w", err)
	}
	return t, nil
}

const selectToken = `select ` + tokenColumns + ` from tokens t where t.id = @id`

// Token gives one token.
func (r reads) Token(ctx context.Context, id uuid.UUID) (Token, error) {
	t, err := one[Token](ctx, r.q, selectToken, args{"id": id})
	if err != nil {
		return Token{}, fmt.Errorf("load token %s: %w", id, err)
	}
	return t, nil
}

const selectTokens = `select ` + tokenColumns + ` from tokens t where true`

// Tokens lists tokens as they were made, those revoked too.
func (r reads) Tokens(ctx context.Context, p Page) (List[Token], error) {
	l, err := list(ctx, r, newQuery(selectTokens, args{}), p, order{at: "t.created_at", id: "t.id"}, func(t Token) Key { return t.created() })
	if err != nil {
		return l, fmt.Errorf("list tokens: %w", err)
	}
	return l, nil
}

const insertToken = `
insert into tokens as t (id, created_at, updated_at, name, role, crew_ids, plant_ids, hash, prefix, expires_at)
values (@id, @now, @now, @name, @role, @crew_ids, @plant_ids, @hash, @prefix, @expires_at)
returning ` + tokenColumns

// CreateToken stores a new token.
func (tx *Tx) CreateToken(ctx context.Context, t Token) (Token, error) {
	stored, err := created[Token](ctx, tx, insertToken, record(t))
	if err != nil {
		return Token{}, fmt.Errorf("create token: %w", err)
	}
	return stored, nil
}

const updateToken = `
update tokens t set version = t.version + 1, updated_at = @now, name = @name, role = @role, crew_ids = @crew_ids,
	plant_ids = @plant_ids, expires_at = @expires_at
where t.id = @id and t.version = @version
returning ` + tokenColumns

// UpdateToken edits name, role, scope and expiry; ErrStale when t.Version isn't
// the one stored.
func (tx *Tx) UpdateToken(ctx context.Context, t Token) (Token, error) {
	stored, err := edited(ctx, tx, updateToken, record(t), func(ctx context.Context) (Token, error) { return tx.Token(ctx, t.ID) })
	if err != nil {
		return Token{}, fmt.Errorf("update token %s: %w", t.ID, err)
	}
	return stored, nil
}

//nolint:gosec // a statement, not a credential
const revokeToken = `
update tokens t set version = t.version + 1, updated_at = @now, revoked_at = coalesce(t.revoked_at, @now)
where t.id = @id and t.version = @version
returning ` + tokenColumns

// RevokeToken ends a token for good; ErrStale when version isn't the one stored.
func (tx *Tx) RevokeToken(ctx context.Context, id uuid.UUID, version int64) (Token, error) {
	stored, err := edited(ctx, tx, revokeToken, args{"id": id, "version": version}, func(ctx context.Context) (Token, error) { return tx.Token(ctx, id) })
	if err != nil {
		return Token{}, fmt.Errorf("revoke token %s: %w", id, err)
	}
	return stored, nil
}

// CreateFirstToken stores a token only when there has never been one, and tells
// whether it did: of replicas that start on an empty database, one does.
func (tx *Tx) CreateFirstToken(ctx context.Context, t Token) (bool, error) {
	made, err := tx.createFirstToken(ctx, t)
	if err != nil {
		return false, fmt.Errorf("create first token: %w", err)
	}
	return made, nil
}

const (
	lockTokens = `select pg_advisory_xact_lock(hashtext('first token'))`
	anyToken   = `select exists (select from tokens)` // its own statement sees what the lock's last holder made
)

func (tx *Tx) createFirstToken(ctx context.Context, t Token) (bool, error) {
	if _, err := run(ctx, tx.q, lockTokens); err != nil {
		return false, err
	}
	taken, err := value[bool](ctx, tx.q, anyToken)
	if err != nil || taken {
		return false, err
	}
	_, err = created[Token](ctx, tx, insertToken, record(t))
	return err == nil, err
}

const touchToken = `
update tokens set last_used_at = @at where id = @id and (last_used_at is null or last_used_at <= @at::timestamptz - interval '1 minute')`

// TouchToken notes that a token was used, at most once a minute.
func (d *DB) TouchToken(ctx context.Context, id uuid.UUID, at time.Time) error {
	if _, err := run(ctx, d.q, touchToken, args{"id": id, "at": at}); err != nil {
		return fmt.Errorf("touch token %s: %w", id, err)
	}
	return nil
}
