package db

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// RequestKey is a create that its client may send again without harm.
type RequestKey struct {
	TokenID     uuid.UUID
	Route       string
	Key         string // the client's own
	Fingerprint []byte // hash of the request's body
}

// Answer is what such a create was answered.
type Answer struct {
	Status  int
	Headers map[string]string
	Body    []byte
}

const (
	lockKey      = `select pg_try_advisory_xact_lock(hashtextextended(@token_id::uuid::text || ' ' || @route::text || ' ' || @key::text, 1))`
	selectAnswer = `select status, headers, body, fingerprint from answers where token_id = @token_id and route = @route and key = @key`
)

// ClaimKey starts a create under a key. It gives the answer stored when the same
// request was here before, and nil when it is new: then do the work and end the
// same transaction with StoreAnswer. ErrRunning when another transaction is at
// it; ErrKeyReused when the key came with another body.
func (tx *Tx) ClaimKey(ctx context.Context, k RequestKey) (*Answer, error) {
	answer, err := tx.claimKey(ctx, k)
	if err != nil {
		return nil, fmt.Errorf("claim key of %s: %w", k.Route, err)
	}
	return answer, nil
}

func (tx *Tx) claimKey(ctx context.Context, k RequestKey) (*Answer, error) {
	var batch pgx.Batch
	batch.Queue(lockKey, record(k))
	batch.Queue(selectAnswer, record(k)) // its own statement sees what the last holder of the lock committed
	results := tx.tx.SendBatch(ctx, &batch)
	defer results.Close() //nolint:errcheck // read to the end below
	var free bool
	if err := results.QueryRow().Scan(&free); err != nil {
		return nil, fault(err)
	}
	if !free {
		return nil, ErrRunning
	}
	var answer Answer
	var fingerprint []byte
	err := results.QueryRow().Scan(&answer.Status, &answer.Headers, &answer.Body, &fingerprint)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return nil, nil
	case err != nil:
		return nil, fault(err)
	case !bytes.Equal(fingerprint, k.Fingerprint):
		return nil, ErrKeyReused
	}
	return &answer, nil
}

const insertAnswer = `
insert into answers (token_id, route, key, fingerprint, created_at, status, headers, body)
values (@token_id, @route, @key, @fingerprint, @now, @status, coalesce(@headers::jsonb, '{}'), @body)`

// StoreAnswer keeps the answer to a create under its key, with the effect. It is
// thinned after a day.
func (tx *Tx) StoreAnswer(ctx context.Context, k RequestKey, a Answer) error {
	if a.Body == nil {
		a.Body = []byte{}
	}
	if _, err := run(ctx, tx.q, insertAnswer, record(k, a).set("now", tx.now)); err != nil {
		return fmt.Errorf("store answer of %s: %w", k.Route, err)
	}
	return nil
}
