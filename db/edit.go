package db

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
)

// Record is what every record that people edit has.
type Record struct {
	ID        uuid.UUID // version 7; made by the create when zero
	Version   int64     // raised by each edit; an update names the one it was made from
	CreatedAt time.Time
	UpdatedAt time.Time
}

func (r Record) created() Key { return Key{r.CreatedAt, r.ID} }

// newID keeps an id that is set and makes one otherwise.
func newID(id uuid.UUID) uuid.UUID {
	if id != uuid.Nil {
		return id
	}
	return uuid.Must(uuid.NewV7()) // fails only when the system has no randomness
}

// Filter narrows the lists of sites, plants, crews and mixes.
type Filter struct {
	Text     string // in the name, or a site's address, without case
	Archived bool   // with those archived
}

// created inserts a record; the statement returns it as stored.
func created[T any](ctx context.Context, tx *Tx, sql string, a args) (T, error) {
	a.set("id", newID(a["id"].(uuid.UUID))).set("now", tx.now)
	return one[T](ctx, tx.q, sql, a)
}

// edited updates a record from the version that it names; the statement returns
// it as stored. When it touched nothing, again tells whether the record is gone
// or has moved on.
func edited[T any](ctx context.Context, tx *Tx, sql string, a args, again func(context.Context) (T, error)) (T, error) {
	stored, err := one[T](ctx, tx.q, sql, a.set("now", tx.now))
	if !errors.Is(err, ErrNotFound) {
		return stored, err
	}
	var none T
	if _, err := again(ctx); err != nil {
		return none, err
	}
	return none, ErrStale
}

// removed deletes a record of the version given, like edited.
func removed[T any](ctx context.Context, tx *Tx, sql string, a args, again func(context.Context) (T, error)) error {
	n, err := run(ctx, tx.q, sql, a)
	if err != nil || n > 0 {
		return err
	}
	if _, err := again(ctx); err != nil {
		return err
	}
	return ErrStale
}
