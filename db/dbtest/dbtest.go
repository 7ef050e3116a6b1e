// Package dbtest gives each test a migrated database of its own.
//
// The first call in a test process starts a private server from a numbered
// folder that later processes use again; the migrated template in it is named by
// the migrations' text and cloned for each test. The server ends with the test
// process. TEST_DATABASE_URL names a server to use instead.
package dbtest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/pgserver"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"
)

// Key seals the secrets of test databases.
var Key = []byte("a test's key has 32 bytes, always")[:32]

// New gives an open, migrated, empty database that is dropped when the test ends.
func New(t testing.TB) *db.DB {
	t.Helper()
	return Open(t, db.Config{Conn: NewConn(t)})
}

// Open opens a database for the length of the test, with Key and few
// connections unless the configuration says otherwise.
func Open(t testing.TB, c db.Config) *db.DB {
	t.Helper()
	if c.Key == nil {
		c.Key = Key
	}
	if c.MaxConns == 0 {
		c.MaxConns = 6
	}
	d, err := db.Open(t.Context(), c)
	require.NoError(t, err)
	t.Cleanup(d.Close)
	return d
}

// NewConn makes the database that New makes, without opening it: for programs,
// and for several replicas on one database.
func NewConn(t testing.TB) *pgx.ConnConfig {
	t.Helper()
	return clone(t, "template")
}

// NewEmpty makes a database without a schema.
func NewEmpty(t testing.TB) *pgx.ConnConfig {
	t.Helper()
	return clone(t, "nothing")
}

func clone(t testing.TB, of string) *pgx.ConnConfig {
	t.Helper()
	s, err := start()
	require.NoError(t, err)
	from := "template0"
	if of == "template" {
		from = s.template
	}
	name := fmt.Sprintf("test_%d_%d", os.Getpid(), s.count.Add(1))
	create := "create database " + name + " template " + from
	if s.version >= 150000 {
		create += " strategy file_copy" // twice as fast as the default for a schema of our size
	}
	_, err = s.admin.Exec(t.Context(), create)
	require.NoError(t, err)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		_, err := s.admin.Exec(ctx, "drop database "+name+" with (force)")
		require.NoError(t, err)
	})
	return s.to(name)
}

// server is the one of this test process.
type server struct {
	admin    *pgxpool.Pool
	to       func(database string) *pgx.ConnConfig
	version  int
	template string
	count    atomic.Int64
}

var start = sync.OnceValues(func() (*server, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	s := &server{}
	if err := s.reach(ctx); err != nil {
		return nil, fmt.Errorf("test database: %w", err)
	}
	if err := s.prepare(ctx); err != nil {
		return nil, fmt.Errorf("test database: %w", err)
	}
	return s, nil
})

// reach finds the server that TEST_DATABASE_URL names or starts a private one.
func (s *server) reach(ctx context.Context) error {
	if url := os.Getenv("TEST_DATABASE_URL"); url != "" {
		base, err := pgx.ParseConfig(url)
		if err != nil {
			return err
		}
		s.to = func(database string) *pgx.ConnConfig {
			c := base.Copy()
			if database != "" {
				c.Database = database
			}
			return c
		}
		return s.connect(ctx)
	}
	private, err := startPrivate(ctx)
	if err != nil {
		return err
	}
	s.to = private.ConnConfig
	if err := s.connect(ctx); err != nil {
		return err
	}
	return s.dropAll(ctx, "test\\_%", "") // left by a test process that was killed
}

// startPrivate takes the first numbered folder that no other process has.
func startPrivate(ctx context.Context) (*pgserver.Server, error) {
	for n := range 100 {
		dir := filepath.Join(os.TempDir(), fmt.Sprintf("frostgate-test-%d", os.Getuid()), fmt.Sprint(n))
		private, err := pgserver.Start(ctx, pgserver.Config{Dir: dir, Settings: map[string]string{
			"fsync": "off", "full_page_writes": "off", "synchronous_commit": "off", // a crash of the machine may cost the tests' data
			"max_connections": "300", "autovacuum_naptime": "1h",
		}})
		if !errors.Is(err, pgserver.ErrInUse) {
			return private, err
		}
	}
	return nil, errors.New("100 test processes at once")
}

func (s *server) connect(ctx context.Context) error {
	config, err := pgxpool.ParseConfig("")
	if err != nil {
		return err
	}
	config.ConnConfig = s.to("")
	config.MaxConns = 4
	if s.admin, err = pgxpool.NewWithConfig(ctx, config); err != nil {
		return err
	}
	return s.admin.QueryRow(ctx, "select current_setting('server_version_num')::int").Scan(&s.version)
}

// prepare makes the template unless it is there. It gets its name only when it
// is whole, and under a lock, for test processes may share the server.
func (s *server) prepare(ctx context.Context) error {
	hash, err := migrationsHash()
	if err != nil {
		return err
	}
	s.template = "template_" + hash
	conn, err := s.admin.Acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.Release()
	if _, err := conn.Exec(ctx, "select pg_advisory_lock(hashtext('dbtest template'))"); err != nil {
		return err
	}
	defer conn.Exec(ctx, "select pg_advisory_unlock(hashtext('dbtest template'))") //nolint:errcheck // the process's end frees it too
	var made bool
	if err := conn.QueryRow(ctx, "select exists (select from pg_database where datname = $1)", s.template).Scan(&made); err != nil || made {
		return err
	}
	if err := s.dropAll(ctx, "template\\_%", s.template); err != nil {
		return err
	}
	return s.makeTemplate(ctx)
}

func (s *server) makeTemplate(ctx context.Context) error {
	const draft = "template_draft"
	if _, err := s.admin.Exec(ctx, "create database "+draft+" template template0"); err != nil {
		return err
	}
	d, err := db.Open(ctx, db.Config{Conn: s.to(draft)})
	if err != nil {
		return err
	}
	err = d.Migrate(ctx)
	d.Close()
	if err != nil {
		return err
	}
	_, err = s.admin.Exec(ctx, "alter database "+draft+" rename to "+s.template)
	return err
}

// dropAll drops the databases whose names match, but for one.
func (s *server) dropAll(ctx context.Context, like, but string) error {
	rows, err := s.admin.Query(ctx, "select datname from pg_database where datname like $1 and datname <> $2", like, but)
	if err != nil {
		return err
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	for _, name := range names {
		_, dropErr := s.admin.Exec(ctx, "drop database "+pgx.Identifier{name}.Sanitize()+" with (force)")
		err = errors.Join(err, dropErr)
	}
	return err
}

func migrationsHash() (string, error) {
	hash := sha256.New()
	err := fs.WalkDir(db.Migrations(), ".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, ".sql") {
			return err
		}
		text, err := fs.ReadFile(db.Migrations(), path)
		hash.Write(text)
		return err
	})
	return hex.EncodeToString(hash.Sum(nil))[:16], err
}
