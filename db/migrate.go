package db

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"
)

//go:embed migrations/*.sql
var migrations embed.FS

// migrationLock is the advisory lock that one migrating replica holds; any
// number will do that nobody else takes.
const migrationLock = 7311600220261

// Migrations are the schema's files, for tools that name a schema by its text.
func Migrations() fs.FS {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		panic(err) // the folder is embedded above
	}
	return files
}

// Migrate brings the schema of the records and of the job queue up to date.
// Replicas may start together: one migrates, the others wait for it, because
// neither library guards itself.
func (d *DB) Migrate(ctx context.Context) error {
	pool, err := d.patientPool(ctx)
	if err != nil {
		return err
	}
	defer pool.Close()
	lock, err := pool.Acquire(ctx)
	if err != nil {
		return fmt.Errorf("migrate: %w", fault(err))
	}
	defer lock.Release()
	if _, err := lock.Exec(ctx, "select pg_advisory_lock($1)", int64(migrationLock)); err != nil {
		return fmt.Errorf("wait for migration lock: %w", fault(err))
	}
	defer lock.Exec(context.WithoutCancel(ctx), "select pg_advisory_unlock($1)", int64(migrationLock)) //nolint:errcheck // closing the pool frees it too

	if err := fit(ctx, lock); err != nil {
		return err
	}
	if err := migrateRecords(ctx, pool); err != nil {
		return err
	}
	return d.migrateJobs(ctx, pool)
}

// patientPool has connections for migrations, which may take and wait longer
// than any statement of the service.
func (d *DB) patientPool(ctx context.Context) (*pgxpool.Pool, error) {
	config := d.pool.Config()
	config.MinConns, config.MaxConns = 0, 3
	config.ConnConfig.RuntimeParams["statement_timeout"] = "0"
	config.ConnConfig.RuntimeParams["lock_timeout"] = "0"
	config.ConnConfig.RuntimeParams["idle_in_transaction_session_timeout"] = "0"
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("migrate: %w", fault(err))
	}
	return pool, nil
}

// fit refuses a database that would take the migrations and then keep texts wrongly, or lack what queries need.
func fit(ctx context.Context, conn *pgxpool.Conn) error {
	var version int
	var encoding string
	err := conn.QueryRow(ctx, "select current_setting('server_version_num')::int, current_setting('server_encoding')").Scan(&version, &encoding)
	switch {
	case err != nil:
		return fmt.Errorf("look at the server: %w", fault(err))
	case version < oldestServer:
		return fmt.Errorf("the database is on PostgreSQL %d; %d or later is needed", version/10_000, oldestServer/10_000)
	case encoding != "UTF8":
		return fmt.Errorf("the database is in %s; make one with encoding UTF8", encoding)
	}
	return nil
}

// oldestServer is the least PostgreSQL that the queries run on, in its own numbers.
const oldestServer = 15_00_00

func migrateRecords(ctx context.Context, pool *pgxpool.Pool) error {
	sqlDB := stdlib.OpenDBFromPool(pool)
	defer sqlDB.Close() //nolint:errcheck // the pool is closed by its owner
	provider, err := goose.NewProvider(goose.DialectPostgres, sqlDB, Migrations())
	if err != nil {
		return fmt.Errorf("read migrations: %w", err)
	}
	if _, err := provider.Up(ctx); err != nil {
		return fmt.Errorf("migrate records: %w", err)
	}
	return nil
}

func (d *DB) migrateJobs(ctx context.Context, pool *pgxpool.Pool) error {
	migrator, err := rivermigrate.New(riverpgxv5.New(pool), &rivermigrate.Config{Logger: d.log})
	if err != nil {
		return fmt.Errorf("read job migrations: %w", err)
	}
	if _, err := migrator.Migrate(ctx, rivermigrate.DirectionUp, nil); err != nil {
		return fmt.Errorf("migrate jobs: %w", err)
	}
	return nil
}

const schemaVersion = `select coalesce(max(version_id), 0) from goose_db_version where is_applied`

// Schema gives the version of the schema that the database has, 0 for none, and
// the one this program wants.
func (d *DB) Schema(ctx context.Context) (have, want int64, err error) {
	files, err := fs.ReadDir(migrations, "migrations")
	if err != nil {
		return 0, 0, fmt.Errorf("read migrations: %w", err)
	}
	for _, file := range files {
		version, err := goose.NumericComponent(file.Name())
		if err != nil {
			return 0, 0, fmt.Errorf("read migrations: %w", err)
		}
		want = max(want, version)
	}
	have, err = value[int64](ctx, d.q, schemaVersion)
	var missing *pgconn.PgError
	if errors.As(err, &missing) && missing.Code == "42P01" { // undefined_table
		return 0, want, nil
	}
	if err != nil {
		return 0, 0, fmt.Errorf("read schema version: %w", err)
	}
	return have, want, nil
}
