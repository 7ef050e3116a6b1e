package pgserver

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// homes are where distributions put the server programs, which most keep off
// the PATH.
var homes = []string{
	"/usr/lib/postgresql/*/bin",                   // Debian, Ubuntu
	"/usr/pgsql-*/bin",                            // the project's own RPMs
	"/usr/libexec/postgresql*",                    // Alpine
	"/usr/lib/postgresql*/bin",                    // SUSE
	"/opt/homebrew/opt/postgresql@*/bin",          // Homebrew on ARM
	"/usr/local/opt/postgresql@*/bin",             // Homebrew on Intel
	"/usr/local/pgsql/bin",                        // built from source
	"/Applications/Postgres.app/Contents/*/*/bin", // macOS bundle
}

// findPrograms gives a folder that has both initdb and postgres: the one asked
// for, or one on the PATH, or the newest in a known place. Existing data must be
// run by its own major version.
func findPrograms(asked, data string) (string, error) {
	candidates := candidateFolders(asked)
	if len(candidates) == 0 && asked != "" {
		return "", fmt.Errorf("no initdb and postgres in %s", asked)
	}
	if len(candidates) == 0 {
		return "", errors.New("no PostgreSQL server programs found: install them (apt-get install postgresql), or set DATABASE_URL to a server")
	}
	text, err := os.ReadFile(filepath.Join(data, "PG_VERSION")) //nolint:gosec // in our own folder
	if errors.Is(err, os.ErrNotExist) {
		return candidates[0], nil
	}
	if err != nil {
		return "", err
	}
	need := strings.TrimSpace(string(text))
	for _, folder := range candidates {
		if majorVersion(folder) == need {
			return folder, nil
		}
	}
	return "", fmt.Errorf("data of PostgreSQL %s, but no programs of that version found (have %s)", need, strings.Join(candidates, ", "))
}

func candidateFolders(asked string) []string {
	if asked != "" {
		return withBoth([]string{asked})
	}
	var linked []string // a program on the PATH may be a link to its real folder
	path := filepath.SplitList(os.Getenv("PATH"))
	for _, folder := range path {
		for _, program := range []string{"initdb", "postgres"} {
			if real, err := filepath.EvalSymlinks(filepath.Join(folder, program)); err == nil {
				linked = append(linked, filepath.Dir(real))
			}
		}
	}
	var known []string
	for _, pattern := range homes {
		found, _ := filepath.Glob(pattern) // the patterns are well formed
		known = append(known, found...)
	}
	slices.SortStableFunc(known, func(a, b string) int { return cmp.Compare(versionIn(b), versionIn(a)) })
	return withBoth(slices.Concat(path, linked, known))
}

// withBoth keeps the folders that have both programs, once each.
func withBoth(folders []string) []string {
	var kept []string
	for _, folder := range folders {
		folder, err := filepath.Abs(folder)
		if err == nil && runnable(folder, "initdb") && runnable(folder, "postgres") && !slices.Contains(kept, folder) {
			kept = append(kept, folder)
		}
	}
	return kept
}

func runnable(folder, program string) bool {
	_, err := exec.LookPath(filepath.Join(folder, program))
	return err == nil
}

var digits = regexp.MustCompile(`\d+`)

// versionIn reads a version out of a folder's name; 0 when it has none.
func versionIn(folder string) int {
	n, _ := strconv.Atoi(digits.FindString(folder))
	return n
}

// majorVersion asks the server program; "" when it doesn't say.
func majorVersion(folder string) string {
	out, err := exec.Command(filepath.Join(folder, "postgres"), "--version").Output() //nolint:gosec,noctx // answers at once
	if err != nil {
		return ""
	}
	return digits.FindString(string(out))
}
