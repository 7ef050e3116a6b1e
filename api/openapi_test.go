package api

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/danielgtaylor/huma/v2"
	"github.com/stretchr/testify/require"
)

// golden is the document as the tree keeps it, for people and for generators of clients.
var golden = filepath.Join("..", "testdata", "openapi.json")

func TestGoldenOpenAPI(t *testing.T) {
	t.Parallel()
	got, err := setup(t).api.OpenAPI()
	require.NoError(t, err)
	got = append(got, '\n')
	if os.Getenv("UPDATE_GOLDEN") != "" {
		require.NoError(t, os.MkdirAll(filepath.Dir(golden), 0o755))
		require.NoError(t, os.WriteFile(golden, got, 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got), "the description has changed; look at the difference after make golden")
}

// What has been published of a version of the events stays so: members are only added.
func TestGoldenEventSchema(t *testing.T) {
	t.Parallel()
	const golden = "../testdata/event-schema.json"
	got, err := EventSchema()
	require.NoError(t, err)
	if os.Getenv("UPDATE_GOLDEN") != "" {
		require.NoError(t, os.WriteFile(golden, got, 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got), "the schema has changed; look at the difference after make golden")
}

// OpenAPI 3.1.0, 4.8.10: operation ids are unique; the rest is our own style.
func TestEveryOperationIsDescribed(t *testing.T) {
	t.Parallel()
	b := setup(t)
	seen := map[string]bool{}
	lines := regexp.MustCompile(`^[A-Z][^.]*[^.]$`)
	for path, operations := range b.operations() {
		for _, op := range operations {
			what := op.Method + " " + path
			require.NotEmpty(t, op.OperationID, what)
			require.False(t, seen[op.OperationID], "%s repeats %s", what, op.OperationID)
			seen[op.OperationID] = true
			require.Regexp(t, lines, op.Summary, what)
			require.Len(t, op.Tags, 1, what)
			require.Equal(t, []map[string][]string{{"token": {}}}, op.Security, what)
			require.True(t, strings.HasPrefix(path, "/v1/"), what)
			for _, status := range []string{"401", "403", "429", "500", "503"} {
				require.Contains(t, op.Responses, status, what)
			}
			for status, response := range op.Responses {
				if status >= "400" {
					require.Contains(t, b.resolved(response).Content, "application/problem+json", "%s %s", what, status)
				}
			}
		}
	}
	require.Greater(t, len(seen), 60)
}

// operations are all operations by path.
func (b *bundle) operations() map[string][]*huma.Operation {
	all := map[string][]*huma.Operation{}
	for path, item := range b.api.huma.OpenAPI().Paths {
		for _, op := range []*huma.Operation{item.Get, item.Put, item.Post, item.Patch, item.Delete} {
			if op != nil {
				all[path] = append(all[path], op)
			}
		}
	}
	return all
}

func TestTheRouterHasNoRouteThatIsNotDescribed(t *testing.T) {
	t.Parallel()
	b := setup(t)
	parameter := regexp.MustCompile(`:([a-z_]+)`)
	for _, r := range b.api.echo.Routes() {
		path := parameter.ReplaceAllString(r.Path, "{$1}")
		if !strings.HasPrefix(path, "/v1/") { // pages of the board, and what machines of operators ask
			continue
		}
		item := b.api.huma.OpenAPI().Paths[path]
		require.NotNil(t, item, "%s %s is not described", r.Method, path)
		require.NotNil(t, b.api.operation(r.Method, path), "%s %s is not described", r.Method, path)
	}
}

func TestTheDocumentIsServedToAnybody(t *testing.T) {
	t.Parallel()
	b := setup(t)
	got := b.do(call{method: "GET", path: "/openapi.json", token: "none"})
	require.Equal(t, "3.1.0", got.is(200)["openapi"])
}
