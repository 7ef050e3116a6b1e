package dbtest_test

import (
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"

	"github.com/stretchr/testify/require"
)

const childVar = "DBTEST_TEST_CHILD"

// TestChild is a test process of its own: it uses a database and says where.
func TestChild(t *testing.T) {
	if os.Getenv(childVar) == "" {
		t.Skip("runs as the child of other tests")
	}
	d := dbtest.New(t)
	_, err := d.Firm(t.Context())
	require.NoError(t, err)
	c := d.Pool().Config().ConnConfig
	fmt.Printf("host=%s database=%s\n", c.Host, c.Database)
	if os.Getenv(childVar) == "crash" {
		os.Exit(3) // no cleanup
	}
}

func child(t *testing.T, env ...string) (host, database string) {
	t.Helper()
	c := exec.Command(os.Args[0], "-test.run=^TestChild$") //nolint:gosec,noctx // ourselves
	c.Env = append(os.Environ(), env...)
	out, err := c.Output()
	if err != nil {
		require.Contains(t, strings.Join(env, " "), "crash", "%s", out)
	}
	_, fields, found := strings.Cut(string(out), "host=")
	require.True(t, found, "%s", out)
	_, err = fmt.Sscanf(fields, "%s database=%s", &host, &database)
	require.NoError(t, err)
	return host, database
}

func servers(dir string) int {
	n := 0
	links, _ := filepath.Glob("/proc/[0-9]*/cwd")
	for _, link := range links {
		if to, err := os.Readlink(link); err == nil && to == filepath.Join(dir, "data") {
			n++
		}
	}
	return n
}

// A test process leaves no server behind, crashed or not, and the next one takes
// its folder again and clears what it left.
func TestNothingIsLeft(t *testing.T) {
	if os.Getenv("TEST_DATABASE_URL") != "" {
		t.Skip("the server isn't ours")
	}
	dbtest.New(t) // so that the folder of the children isn't ours
	first, left := child(t, childVar+"=crash")
	require.Eventually(t, func() bool { return servers(filepath.Dir(first)) == 0 }, 2*time.Minute, 10*time.Millisecond)
	again, _ := child(t, childVar+"=1")
	require.Equal(t, first, again)
	require.Eventually(t, func() bool { return servers(filepath.Dir(first)) == 0 }, 2*time.Minute, 10*time.Millisecond)
	require.NotEmpty(t, left)
}

// Each test has a database of its own that is gone afterwards.
func TestDatabasesAreApart(t *testing.T) {
	var names []string
	t.Run("use", func(t *testing.T) {
		one, two := dbtest.New(t), dbtest.New(t)
		require.NoError(t, one.Tx(t.Context(), db.Actor{}, func(tx *db.Tx) error {
			_, err := tx.CreatePlant(t.Context(), db.Scope{}, db.Plant{Name: "x"})
			return err
		}))
		l, err := two.Plants(t.Context(), db.Scope{}, db.Filter{}, db.Page{})
		require.NoError(t, err)
		require.Empty(t, l.Items)
		for _, d := range []*db.DB{one, two} {
			names = append(names, d.Pool().Config().ConnConfig.Database)
		}
	})
	d := dbtest.New(t)
	var there int
	require.NoError(t, d.Pool().QueryRow(t.Context(), "select count(*) from pg_database where datname = any($1)", names).Scan(&there))
	require.Zero(t, there)
}

// TEST_DATABASE_URL names the server to use.
func TestServerByURL(t *testing.T) {
	c := dbtest.NewEmpty(t)
	address := url.URL{Scheme: "postgres", User: url.User(c.User), Path: "/" + c.Database, RawQuery: url.Values{"host": {c.Host}}.Encode()}
	host, database := child(t, childVar+"=1", "TEST_DATABASE_URL="+address.String())
	require.Equal(t, c.Host, host)
	require.NotEqual(t, c.Database, database)
}
