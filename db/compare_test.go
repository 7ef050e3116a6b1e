package db_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
)

// requireSame compares records field by field: times by their instant, and an
// empty list as the same as none.
func requireSame(t testing.TB, want, got any) {
	t.Helper()
	diff := cmp.Diff(want, got, cmpopts.EquateEmpty()) // times compare by Equal
	require.Empty(t, diff)
}
