package scheduler_test

import (
	"testing"

	"frostgate/db"
	"frostgate/scheduler"

	"github.com/stretchr/testify/require"
)

// Links to acknowledge by are made where they lead somewhere and can be signed, and
// nowhere else.
func TestAckLinks(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	w.moved("Slab")
	keyless, err := db.Open(t.Context(), db.Config{Conn: w.conn, Clock: w.clock.Now, MaxConns: 2})
	require.NoError(t, err)
	t.Cleanup(keyless.Close)
	require.False(t, w.newScheduler(func(c *scheduler.Config) { c.DB = keyless }).AckLinks())
	s := w.newScheduler(func(c *scheduler.Config) { c.PublicURL = "" })
	require.False(t, s.AckLinks())
	w.at(s, wednesday, bad)
	require.Empty(t, w.lastTo("chat").Links)
	require.True(t, w.newScheduler(nil).AckLinks())
}
