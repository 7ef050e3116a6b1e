package access

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
)

// Role is what a token may do.
type Role string

// The roles.
const (
	Dispatcher Role = "dispatcher" // everything
	Viewer     Role = "viewer"     // read
	Field      Role = "field"      // read, enter observations, acknowledge alerts
)

// Caller is who a token stands for.
type Caller struct {
	TokenID uuid.UUID
	Name    string
	Role    Role
	Scope   db.Scope
}

// ErrUnknown is given for a secret that is not, or no longer, that of a token.
var ErrUnknown = errors.New("unknown token")

// TooManyError is given when an address has tried too many unknown secrets.
type TooManyError struct {
	RetryIn time.Duration
}

// Error says when to try again.
func (e *TooManyError) Error() string {
	return fmt.Sprintf("too many unknown tokens; try again in %s", e.RetryIn)
}

// Config sets up a gate.
type Config struct {
	DB                *db.DB
	Now               func() time.Time // nil is the clock of the system
	PerMinute         int              // requests by token; default 600
	FailuresPerMinute int              // unknown secrets by address; default 20
}

// A Gate finds callers by their secrets. It is safe for concurrent use.
type Gate struct {
	db       *db.DB
	now      func() time.Time
	requests *quotas
	failures *quotas

	mu    sync.RWMutex
	known map[[sha256.Size]byte]remembered
}

// remembered is a caller found a moment ago.
type remembered struct {
	caller *Caller
	until  time.Time
}

// memory is how long a caller is remembered, and so how long a revoked token may still work.
const memory = 3 * time.Second

// mostRemembered bounds the memory; beyond it, it starts anew.
const mostRemembered = 10_000

// NewGate makes a gate.
func NewGate(c Config) *Gate {
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.PerMinute == 0 {
		c.PerMinute = 600
	}
	if c.FailuresPerMinute == 0 {
		c.FailuresPerMinute = 20
	}
	return &Gate{
		db: c.DB, now: c.Now, requests: newQuotas(c.PerMinute), failures: newQuotas(c.FailuresPerMinute),
		known: map[[sha256.Size]byte]remembered{},
	}
}

// Identify finds the caller of a secret: ErrUnknown when there is none, TooManyError when the address has guessed too
// often. Callers found a moment ago are found without a look at the database, whatever others at their address do.
func (g *Gate) Identify(ctx context.Context, secret, address string) (*Caller, error) {
	now := g.now()
	digest, ours := Digest(secret)
	if ours {
		if caller := g.recall(digest, now); caller != nil {
			return caller, nil
		}
	}
	if left := g.failures.left(address, now); !left.OK {
		return nil, &TooManyError{RetryIn: left.RetryIn}
	}
	if !ours {
		g.failures.take(address, now)
		return nil, ErrUnknown
	}
	token, err := g.db.TokenByHash(ctx, digest[:])
	if errors.Is(err, db.ErrNotFound) || err == nil && !token.ValidAt(now) {
		g.failures.take(address, now)
		return nil, ErrUnknown
	}
	if err != nil {
		return nil, err
	}
	if err := g.db.TouchToken(ctx, token.ID, now); err != nil {
		return nil, err
	}
	return g.remember(digest, token, now), nil
}

// Allow spends one request of a caller.
func (g *Gate) Allow(c *Caller) Quota {
	return g.requests.take(c.TokenID.String(), g.now())
}

func (g *Gate) recall(digest [sha256.Size]byte, now time.Time) *Caller {
	g.mu.RLock()
	defer g.mu.RUnlock()
	if found, ok := g.known[digest]; ok && now.Before(found.until) {
		return found.caller
	}
	return nil
}

func (g *Gate) remember(digest [sha256.Size]byte, t db.Token, now time.Time) *Caller {
	until := now.Add(memory)
	if t.ExpiresAt != nil && t.ExpiresAt.Before(until) {
		until = *t.ExpiresAt
	}
	caller := &Caller{TokenID: t.ID, Name: t.Name, Role: Role(t.Role), Scope: t.Scope()}
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.known) >= mostRemembered {
		clear(g.known)
	}
	g.known[digest] = remembered{caller, until}
	return caller
}

// Grant makes a token for its bearer and returns the secret, which is shown once and stored nowhere.
func Grant(ctx context.Context, tx *db.Tx, t db.Token) (db.Token, string, error) {
	secret, digest := Mint()
	t.Hash, t.Prefix = digest[:], secret[:len(prefix)+6]
	stored, err := tx.CreateToken(ctx, t)
	return stored, secret, err
}
