package demo

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A second demo must not empty the folder of one that runs.
func TestDemosShareNoFolder(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "demo")
	running, second := &show{Config: Config{Dir: dir}}, &show{Config: Config{Dir: dir}}
	require.NoError(t, running.claim())
	require.NoError(t, running.remember())
	require.ErrorContains(t, second.claim(), "a demo is running in "+dir)

	require.NoError(t, running.stop())
	require.NoError(t, second.claim())
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "postgres", "data"), 0o700))
	require.NoError(t, empty(dir))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 1)
	require.ErrorContains(t, running.claim(), "a demo is running", "the lock outlives the emptying")
	require.NoError(t, second.stop())
}

func TestAFileIsNoClosedFolder(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	require.NotEqual(t, file, closedTo(file))
}
