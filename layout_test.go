// Package frostgate_test holds the layout of the whole tree: which package may import which, what the pure part
// may not do, and what may lie at the top.
package frostgate_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const module = "frostgate"

// mayImport is the arrow picture of DEVELOPERS.md: for each package of ours the packages of ours that it may import.
// "x/..." is x and what lies under it; of several rows that match, the longest speaks.
var mayImport = map[string][]string{
	"cmd/...":                {"cmd/...", "api/...", "scheduler/...", "db/...", "rules/..."},
	"api":                    {"api/...", "scheduler/...", "db", "rules/..."},
	"api/access/...":         {"db", "rules/..."},
	"api/board/...":          {"api/access", "api/board/...", "scheduler/...", "db", "rules/..."},
	"scheduler":              {"scheduler/...", "db", "rules/..."},
	"scheduler/forecast/...": {"scheduler/forecast/...", "rules/..."},
	"scheduler/alert/...":    {"rules/..."},
	"db":                     {"rules/..."},
	"db/pgserver":            {},
	"db/dbtest":              {"db", "db/pgserver"},
	"rules":                  {"rules/..."},
	"rules/physics/...":      {"rules/physics/..."},
	"rules/plan/...":         {},
}

// outside names libraries that have one home each.
var outside = []struct{ library, homes, why string }{
	{"github.com/riverqueue/", "scheduler/... db", "jobs are the scheduler's; db only migrates their tables"},
	{"github.com/labstack/echo", "api/... cmd/...", "HTTP ends in api"},
	{"github.com/danielgtaylor/huma", "api/... cmd/...", "HTTP ends in api"},
	{"github.com/robfig/cron", "scheduler", "ticks are the scheduler's"},
	{"github.com/pressly/goose", "db", "migrations are db's"},
	{"github.com/alecthomas/kong", "cmd/...", "flags are read in one place"},
}

// impure is what the rules may not reach for: they compute, and the hour is handed to them.
var impure = []string{"os/...", "net/...", "log/...", "database/...", "syscall", "unsafe", "testing/..."}

// top is all that may lie at the root of the tree.
var top = strings.Fields(`cmd api scheduler rules db deploy testdata README.md DEVELOPERS.md Makefile LICENSE
	.golangci.yml .ci go.mod go.sum tools.mod tools.sum docker-compose.yml .gitignore layout_test.go`)

// source is one parsed Go file.
type source struct {
	path   string // slash-separated, relative to the root
	folder string
	test   bool
	file   *ast.File
}

func (s source) imports() []string {
	var paths []string
	for _, spec := range s.file.Imports {
		p, err := strconv.Unquote(spec.Path.Value)
		if err == nil {
			paths = append(paths, p)
		}
	}
	return paths
}

func parseTree(t *testing.T) []source {
	t.Helper()
	var all []source
	err := filepath.WalkDir(".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		hidden := strings.HasPrefix(entry.Name(), ".") && name != "."
		if entry.IsDir() && (hidden || entry.Name() == "testdata" || name == "bin") {
			return filepath.SkipDir
		}
		if entry.IsDir() || !strings.HasSuffix(name, ".go") {
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		name = filepath.ToSlash(name)
		all = append(all, source{path: name, folder: path.Dir(name), test: strings.HasSuffix(name, "_test.go"), file: file})
		return nil
	})
	require.NoError(t, err)
	require.NotEmpty(t, all)
	return all
}

// matches reports whether a folder is pattern, or lies under it when pattern ends in "/...".
func matches(folder, pattern string) bool {
	stem, under := strings.CutSuffix(pattern, "/...")
	return folder == stem || under && strings.HasPrefix(folder, stem+"/")
}

func matchesAny(folder string, patterns []string) bool {
	return slices.ContainsFunc(patterns, func(p string) bool { return matches(folder, p) })
}

// allowed finds the row of mayImport that speaks for a folder: the longest that matches.
func allowed(folder string) (row string, patterns []string) {
	for pattern, may := range mayImport {
		if matches(folder, pattern) && len(pattern) > len(row) {
			row, patterns = pattern, may
		}
	}
	return row, patterns
}

func TestArrowsGoDownOnly(t *testing.T) {
	for _, s := range parseTree(t) {
		if s.folder == "." {
			continue
		}
		row, may := allowed(s.folder)
		require.NotEmpty(t, row, "%s: package %s has no place in the layout", s.path, s.folder)
		for _, imported := range s.imports() {
			ours, ok := strings.CutPrefix(imported, module+"/")
			inTests := matchesAny(ours, []string{"db/dbtest", "db/pgserver"}) || s.folder == "api/board" && ours == "api" // which mounts it
			if !ok || ours == s.folder || s.test && inTests {
				continue
			}
			require.True(t, matchesAny(ours, may), "%s imports %s; %s may import only %v", s.path, ours, row, may)
		}
	}
}

func TestLibrariesStayAtHome(t *testing.T) {
	for _, s := range parseTree(t) {
		for _, imported := range s.imports() {
			for _, o := range outside {
				if strings.HasPrefix(imported, o.library) && !s.test {
					require.True(t, matchesAny(s.folder, strings.Fields(o.homes)), "%s imports %s: %s", s.path, imported, o.why)
				}
			}
			require.NotEqual(t, "github.com/stretchr/testify/assert", imported, "%s: a failed expectation ends its test; use require", s.path)
		}
	}
}

func TestRulesArePure(t *testing.T) {
	for _, s := range parseTree(t) {
		if !matches(s.folder, "rules/...") || s.test {
			continue
		}
		for _, imported := range s.imports() {
			ours := strings.HasPrefix(imported, module+"/rules")
			require.True(t, ours || !strings.Contains(strings.Split(imported, "/")[0], "."), "%s imports %s; rules use the standard library only", s.path, imported)
			require.False(t, matchesAny(imported, impure), "%s imports %s; rules compute and do nothing else", s.path, imported)
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			selector, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			pkg, ok := selector.X.(*ast.Ident)
			clock := ok && pkg.Name == "time" && slices.Contains([]string{"Now", "Since", "Until", "After", "Sleep", "Tick", "NewTimer", "NewTicker", "Local"}, selector.Sel.Name)
			require.False(t, clock, "%s uses time.%s; the hour is handed to the rules", s.path, selector.Sel.Name)
			return true
		})
	}
}

func TestEveryPackageSaysWhatItIsFor(t *testing.T) {
	says := map[string]bool{}
	for _, s := range parseTree(t) {
		if s.test && !says[s.folder] {
			continue
		}
		doc := s.file.Doc.Text()
		says[s.folder] = says[s.folder] || strings.HasPrefix(doc, "Package ") || strings.HasPrefix(doc, "Command ")
	}
	for folder, said := range says {
		require.True(t, said, "package %s has no comment that begins with \"Package ...\" or \"Command ...\"", folder)
	}
}

func TestTopLevelHoldsNothingElse(t *testing.T) {
	entries, err := os.ReadDir(".")
	require.NoError(t, err)
	ignored, err := os.ReadFile(".gitignore")
	require.NoError(t, err)
	for _, entry := range entries {
		name := entry.Name()
		if name == ".git" || slices.Contains(top, name) || strings.Contains(string(ignored), "/"+name+"/\n") || isOutput(name) {
			continue
		}
		t.Errorf("%s does not belong at the top of the tree", name)
	}
}

// isOutput says whether a file is what tests and profiles leave behind; .gitignore names the same endings.
func isOutput(name string) bool {
	return slices.Contains([]string{".test", ".prof", ".pprof", ".out"}, path.Ext(name))
}
