package db_test

import (
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

func TestTokens(t *testing.T) {
	t.Parallel()
	b := setup(t)
	hash := []byte("0123456789abcdef0123456789abcdef")
	expires := time.Now().Add(time.Hour).UTC().Truncate(time.Microsecond)
	sent := db.Token{
		Name: "plant viewer", Role: "viewer", PlantIDs: []uuid.UUID{b.plant.ID}, Hash: hash, Prefix: "fg_12345", ExpiresAt: &expires,
	}
	var made db.Token
	b.tx(func(tx *db.Tx) (err error) {
		made, err = tx.CreateToken(b.ctx, sent)
		return err
	})
	sent.Record = made.Record
	requireSame(t, sent, made)
	found, err := b.TokenByHash(b.ctx, hash)
	require.NoError(t, err)
	requireSame(t, made, found)
	require.Equal(t, db.Scope{Plants: []uuid.UUID{b.plant.ID}}, found.Scope())
	_, err = b.TokenByHash(b.ctx, make([]byte, 32))
	require.ErrorIs(t, err, db.ErrNotFound)
	err = b.try(func(tx *db.Tx) error {
		_, err := tx.CreateToken(b.ctx, db.Token{Name: "twin", Role: "viewer", Hash: hash})
		return err
	})
	require.ErrorIs(t, err, db.ErrConflict)

	require.True(t, found.ValidAt(expires.Add(-time.Second)))
	require.False(t, found.ValidAt(expires))

	used := time.Now().UTC().Truncate(time.Microsecond)
	for _, at := range []time.Time{used, used.Add(59 * time.Second)} { // the second is within the minute
		require.NoError(t, b.TouchToken(b.ctx, made.ID, at))
	}
	stored, err := b.Token(b.ctx, made.ID)
	require.NoError(t, err)
	require.True(t, stored.LastUsedAt.Equal(used))
	require.Equal(t, int64(1), stored.Version)

	b.tx(func(tx *db.Tx) error {
		revoked, err := tx.RevokeToken(b.ctx, made.ID, 1)
		require.NoError(t, err)
		require.False(t, revoked.ValidAt(used))
		_, err = tx.RevokeToken(b.ctx, made.ID, 1)
		require.ErrorIs(t, err, db.ErrStale)
		return nil
	})
	l, err := b.Tokens(b.ctx, db.Page{})
	require.NoError(t, err)
	require.Len(t, l.Items, 1)
	require.NotNil(t, l.Items[0].RevokedAt)
}

// An empty list of a scope is not the same as none.
func TestTokenScopeKeepsEmptyLists(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.tx(func(tx *db.Tx) error {
		made, err := tx.CreateToken(b.ctx, db.Token{Name: "n", Role: "field", CrewIDs: []uuid.UUID{}, Hash: make([]byte, 32)})
		require.NoError(t, err)
		require.NotNil(t, made.Scope().Crews)
		require.Nil(t, made.Scope().Plants)
		require.False(t, made.Scope().All())
		return nil
	})
}

// Of replicas that start on an empty database, one makes the first token.
func TestFirstToken(t *testing.T) {
	t.Parallel()
	b := setup(t)
	made := make(chan bool, 6)
	for n := range cap(made) {
		go func() {
			var first bool
			err := b.try(func(tx *db.Tx) (err error) {
				hash := make([]byte, 32)
				hash[0] = byte(n)
				first, err = tx.CreateFirstToken(b.ctx, db.Token{Name: "first", Role: "dispatcher", Hash: hash})
				return err
			})
			if err != nil {
				t.Error(err)
			}
			made <- first
		}()
	}
	count := 0
	for range cap(made) {
		if <-made {
			count++
		}
	}
	require.Equal(t, 1, count)
	l, err := b.Tokens(b.ctx, db.Page{})
	require.NoError(t, err)
	require.Len(t, l.Items, 1)
}

// The same create sent again gets the answer of the first, its effect stays one.
func TestIdempotency(t *testing.T) {
	t.Parallel()
	b := setup(t)
	key := db.RequestKey{TokenID: uuid.New(), Route: "POST /v1/crews", Key: "k1", Fingerprint: []byte("body one")}
	create := func(name string) (answer db.Answer, err error) {
		err = b.try(func(tx *db.Tx) error {
			stored, err := tx.ClaimKey(b.ctx, key)
			if err != nil {
				return err
			}
			if stored != nil {
				answer = *stored
				return nil
			}
			if _, err := tx.CreateCrew(b.ctx, all, db.Crew{Name: name, DayEndsMin: 1}); err != nil {
				return err
			}
			answer = db.Answer{Status: 201, Headers: map[string]string{"Location": "/v1/crews/" + name}, Body: []byte(name)}
			return tx.StoreAnswer(b.ctx, key, answer)
		})
		return answer, err
	}

	_, err := create("Red crew") // fails: the key is not used up
	require.ErrorIs(t, err, db.ErrConflict)
	first, err := create("Blue crew")
	require.NoError(t, err)
	again, err := create("Green crew")
	require.NoError(t, err)
	require.Equal(t, first, again)

	key.Fingerprint = []byte("body two")
	_, err = create("Green crew")
	require.ErrorIs(t, err, db.ErrKeyReused)
	for _, other := range []func(k *db.RequestKey){
		func(k *db.RequestKey) { k.TokenID = uuid.New() },
		func(k *db.RequestKey) { k.Route = "POST /v1/other" },
		func(k *db.RequestKey) { k.Key = "k2" },
	} {
		fresh := key
		other(&fresh)
		b.tx(func(tx *db.Tx) error {
			answer, err := tx.ClaimKey(b.ctx, fresh)
			require.Nil(t, answer)
			return err
		})
	}
	l, err := b.Crews(b.ctx, all, db.Filter{}, db.Page{})
	require.NoError(t, err)
	require.Len(t, l.Items, 2) // Red, Blue
}

// While one request is at a key, the same request elsewhere is told so instead
// of waiting; of many at once, one has an effect.
func TestIdempotencyAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	key := db.RequestKey{TokenID: uuid.New(), Route: "r", Key: "k", Fingerprint: []byte("f")}
	b.tx(func(tx *db.Tx) error {
		_, err := tx.ClaimKey(b.ctx, key)
		require.NoError(t, err)
		err = b.try(func(other *db.Tx) error {
			_, err := other.ClaimKey(b.ctx, key)
			return err
		})
		require.ErrorIs(t, err, db.ErrRunning)
		return nil
	})

	var made, told sync.Map
	var group sync.WaitGroup
	for n := range 12 {
		group.Go(func() {
			err := b.try(func(tx *db.Tx) error {
				stored, err := tx.ClaimKey(b.ctx, key)
				if err != nil || stored != nil {
					told.Store(n, err)
					return err
				}
				_, err = tx.CreateMix(b.ctx, all, db.Mix{Name: string(rune('a' + n)), Mix: b.mix.Mix})
				if err == nil {
					err = tx.StoreAnswer(b.ctx, key, db.Answer{Status: 201, Body: []byte{byte(n)}})
				}
				return err
			})
			if err == nil {
				made.Store(n, true)
			} else if !errors.Is(err, db.ErrRunning) {
				t.Error(err)
			}
		})
	}
	group.Wait()
	l, err := b.Mixes(b.ctx, all, db.Filter{}, db.Page{})
	require.NoError(t, err)
	require.Len(t, l.Items, 2)
}

func TestKeyFile(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "key")
	keys := make(chan []byte, 8)
	for range cap(keys) { // programs that start at once agree on the key
		go func() {
			key, err := db.KeyFile(path)
			if err != nil {
				t.Error(err)
			}
			keys <- key
		}()
	}
	first := <-keys
	require.Len(t, first, 32)
	for range cap(keys) - 1 {
		require.Equal(t, first, <-keys)
	}
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	files, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, files, 1)

	require.NoError(t, os.WriteFile(path, []byte("cut off"), 0o600))
	_, err = db.KeyFile(path)
	require.Error(t, err)
	_, err = db.KeyFile(filepath.Join(path, "no", "such", "folder"))
	require.Error(t, err)
}
