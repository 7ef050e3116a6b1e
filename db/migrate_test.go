package db_test

import (
	"context"
	"errors"
	"testing"

	"frostgate/db"
	"frostgate/db/dbtest"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
)

// Three replicas that start together migrate once and all succeed.
func TestMigrateThreeAtOnce(t *testing.T) {
	t.Parallel()
	conn := dbtest.NewEmpty(t)
	var group errgroup.Group
	for range 3 {
		d := dbtest.Open(t, db.Config{Conn: conn})
		have, want, err := d.Schema(t.Context())
		require.NoError(t, err)
		require.Zero(t, have)
		require.Positive(t, want)
		group.Go(func() error { return d.Migrate(t.Context()) })
	}
	require.NoError(t, group.Wait())

	d := dbtest.Open(t, db.Config{Conn: conn})
	have, want, err := d.Schema(t.Context())
	require.NoError(t, err)
	require.Equal(t, want, have)
	var runs, distinct int
	require.NoError(t, d.Pool().QueryRow(t.Context(),
		"select count(*), count(distinct version_id) from goose_db_version").Scan(&runs, &distinct))
	require.Equal(t, distinct, runs)
}

// SQL_ASCII takes any bytes and counts them as characters (PostgreSQL manual, 24.3.1).
func TestMigrateRefusesADatabaseThatIsNotInUTF8(t *testing.T) {
	t.Parallel()
	config := dbtest.NewEmpty(t)
	conn, err := pgx.ConnectConfig(t.Context(), config)
	require.NoError(t, err)
	quoted := pgx.Identifier{config.Database + "_ascii"}.Sanitize()
	_, err = conn.Exec(t.Context(), "create database "+quoted+" encoding 'SQL_ASCII' template template0 lc_collate 'C' lc_ctype 'C'")
	require.NoError(t, err)
	t.Cleanup(func() {
		_, err := conn.Exec(context.Background(), "drop database "+quoted)
		require.NoError(t, errors.Join(err, conn.Close(context.Background())))
	})
	ascii := config.Copy()
	ascii.Database += "_ascii"
	d, err := db.Open(t.Context(), db.Config{Conn: ascii})
	require.NoError(t, err)
	defer d.Close()
	require.ErrorContains(t, d.Migrate(t.Context()), "make one with encoding UTF8")
	have, _, err := d.Schema(t.Context())
	require.NoError(t, err)
	require.Zero(t, have)
}
