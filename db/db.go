package db

import (
	"context"
	"fmt"
	"log/slog"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Config says which database to use and how.
type Config struct {
	URL  string          // of the server, as libpq reads it; unused when Conn is set
	Conn *pgx.ConnConfig // of a server started by pgserver; nil uses URL

	MaxConns         int32            // default 16
	StatementTimeout time.Duration    // of one statement; default 5 s
	Clock            func() time.Time // of transactions; nil takes the database's time
	Key              []byte           // 32 bytes that seal endpoint URLs and secrets; see KeyFile
	Log              *slog.Logger     // nil is silent
}

// DB is a pool of connections to one database. It is safe for concurrent use.
type DB struct {
	reads
	pool  *pgxpool.Pool
	clock func() time.Time
	log   *slog.Logger
	key   []byte
}

// reads has every query that changes nothing; DB runs it on any connection, Tx
// on its own.
type reads struct {
	q   querier
	box sealer
}

// querier is met by a pool and by a transaction.
type querier interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}

// Open connects to the database. It doesn't migrate. A server that doesn't
// answer is an error that wraps ErrUnavailable.
func Open(ctx context.Context, c Config) (*DB, error) {
	config, err := c.pool()
	if err != nil {
		return nil, err
	}
	box, err := newSealer(c.Key)
	if err != nil {
		return nil, err
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("open database: %w", fault(err))
	}
	log := c.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	d := &DB{reads: reads{q: pool, box: box}, pool: pool, clock: c.Clock, log: log, key: c.Key}
	if err := d.Ping(ctx); err != nil {
		pool.Close()
		return nil, err
	}
	return d, nil
}

// longestStep is how long a transaction may compute between two statements: more
// than an assessment's job is given, so that the job's own limit ends it.
const longestStep = 2 * time.Minute

// pool turns the configuration into the pool's own.
func (c Config) pool() (*pgxpool.Config, error) {
	config, err := pgxpool.ParseConfig(c.URL)
	if err != nil {
		return nil, fmt.Errorf("read database URL: %w", err) // pgx leaves the password out
	}
	if c.Conn != nil {
		config.ConnConfig = c.Conn.Copy()
	}
	config.MaxConns = 16
	if c.MaxConns > 0 {
		config.MaxConns = c.MaxConns
	}
	timeout := 5 * time.Second
	if c.StatementTimeout > 0 {
		timeout = c.StatementTimeout
	}
	config.ConnConfig.ConnectTimeout = 5 * time.Second
	session := config.ConnConfig.RuntimeParams
	session["application_name"] = "frostgate"
	session["timezone"] = "UTC"
	session["statement_timeout"] = milliseconds(timeout)
	session["lock_timeout"] = milliseconds(timeout)
	session["idle_in_transaction_session_timeout"] = milliseconds(max(6*timeout, longestStep))
	return config, nil
}

func milliseconds(d time.Duration) string { return strconv.FormatInt(d.Milliseconds(), 10) }

// Close ends all connections, waiting for those in use.
func (d *DB) Close() { d.pool.Close() }

// Pool gives the connections to the job queue.
func (d *DB) Pool() *pgxpool.Pool { return d.pool }

// Ping fails with ErrUnavailable when the database doesn't answer.
func (d *DB) Ping(ctx context.Context) error {
	if err := d.pool.Ping(ctx); err != nil {
		return fmt.Errorf("reach database: %w", fault(err))
	}
	return nil
}
