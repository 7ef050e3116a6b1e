package api

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// There is a page for links to acknowledge by only where messages have such links.
func TestPageOfAcknowledgeLinks(t *testing.T) {
	t.Parallel()
	for links, want := range map[bool]string{true: "not one of ours", false: "not_found"} {
		b := setupWith(t, Config{AckLinks: links})
		for _, method := range []string{"GET", "POST"} {
			got := b.do(call{method: method, path: "/a/abc"})
			require.Equal(t, 404, got.status)
			require.Contains(t, got.body, want)
		}
	}
}
