package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"frostgate/db"

	"github.com/danielgtaylor/huma/v2"
)

// Idempotent makes a create safe to repeat.
type Idempotent struct {
	IdempotencyKey string `header:"Idempotency-Key" doc:"Any text of your own, 1 to 255 visible ASCII characters. The same key with the same body within a day is answered as the first time, and done once."`
	key            string
}

// Resolve reads the key, quoted as a structured field or bare.
func (k *Idempotent) Resolve(ctx huma.Context) []error {
	if k.IdempotencyKey == "" {
		return nil
	}
	k.key = k.IdempotencyKey
	if len(k.key) >= 2 && strings.HasPrefix(k.key, `"`) && strings.HasSuffix(k.key, `"`) {
		k.key = strings.NewReplacer(`\"`, `"`, `\\`, `\`).Replace(k.key[1 : len(k.key)-1])
	}
	visible := func(r rune) bool { return r < '!' || r > '~' }
	if k.key == "" || len(k.key) > 255 || strings.ContainsFunc(k.key, visible) {
		return []error{invalid(atHeader("Idempotency-Key", "format", "must be 1 to 255 visible ASCII characters"))}
	}
	return nil
}

// created answers a create.
type created[T any] struct {
	Status   int
	ETag     string `header:"ETag"`
	Location string `header:"Location"`
	Replayed string `header:"Idempotency-Replayed" doc:"true when this answer was given before."`
	Body     T

	keep *T // what a repeated request is told, when that is less
}

// create runs do in one transaction. With a key, the answer is stored in the same transaction, so that the effect and
// the memory of it stand or fall together.
func create[T any](ctx context.Context, a *API, key Idempotent, do func(*db.Tx) (*created[T], error)) (*created[T], error) {
	var answer *created[T]
	err := a.edit(ctx, func(tx *db.Tx) (err error) {
		if key.key == "" {
			answer, err = do(tx)
			return err
		}
		claim := requestKey(ctx, key.key)
		known, err := tx.ClaimKey(ctx, claim)
		if err != nil {
			return err
		}
		if known != nil {
			answer, err = replay[T](*known)
			return err
		}
		if answer, err = do(tx); err != nil {
			return err
		}
		return remember(ctx, tx, claim, answer)
	})
	return answer, err
}

// requestKey names a request: who, where, which key, and a fingerprint of what was asked.
func requestKey(ctx context.Context, key string) db.RequestKey {
	x := exchangeOf(ctx)
	target, _, _ := strings.Cut(x.target, "?")
	fingerprint := sha256.Sum256(bytes.Join([][]byte{[]byte(x.target), x.body}, []byte{0}))
	return db.RequestKey{TokenID: x.caller.TokenID, Route: target, Key: key, Fingerprint: fingerprint[:]}
}

func remember[T any](ctx context.Context, tx *db.Tx, key db.RequestKey, answer *created[T]) error {
	body := &answer.Body
	if answer.keep != nil {
		body = answer.keep
	}
	text, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("write answer: %w", err)
	}
	headers := map[string]string{"ETag": answer.ETag, "Location": answer.Location}
	return tx.StoreAnswer(ctx, key, db.Answer{Status: answer.Status, Headers: headers, Body: text})
}

func replay[T any](known db.Answer) (*created[T], error) {
	answer := &created[T]{Status: known.Status, ETag: known.Headers["ETag"], Location: known.Headers["Location"], Replayed: "true"}
	if err := json.Unmarshal(known.Body, &answer.Body); err != nil {
		return nil, fmt.Errorf("read stored answer: %w", err)
	}
	return answer, nil
}

// mostTries bounds how often an edit is tried that others get ahead of; each time one of them is done.
const mostTries = 100

// edit runs a change in one transaction in the caller's name. When another edit comes between its reading and its
// writing it is run again: whether the caller accepts what is there then is for If-Match to say.
func (a *API) edit(ctx context.Context, change func(*db.Tx) error) error {
	x := exchangeOf(ctx)
	if x.caller == nil {
		return errors.New("an edit without a caller")
	}
	var err error
	for range mostTries {
		err = a.db.Tx(ctx, db.Actor{Name: x.caller.Name, RequestID: x.id}, change)
		if !errors.Is(err, db.ErrStale) {
			break
		}
	}
	return err
}

// born is the usual answer to a create.
func born[T any](body T, version int64, path string) *created[T] {
	return &created[T]{Status: http.StatusCreated, ETag: etag(version), Location: path, Body: body}
}
