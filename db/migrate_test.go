package db_test

import (
	"testing"

	"frostgate/db"
	"frostgate/db/dbtest"

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
