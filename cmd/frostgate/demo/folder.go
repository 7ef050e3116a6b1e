package demo

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"

	"frostgate/db/pgserver"

	"github.com/jackc/pgx/v5"
)

// databaseName is the demo's own, so that DATABASE_URL may name a server in use.
const databaseName = "frostgate_demo"

// named is a server's URL with another database.
func named(server, database string) (string, error) {
	u, err := url.Parse(server)
	if err != nil || u.Host == "" && u.RawQuery == "" {
		return "", errors.New("DATABASE_URL must be a URL that begins with postgres://")
	}
	u.Path = "/" + database
	return u.String(), nil
}

// makeDatabase makes the demo's database anew.
func makeDatabase(ctx context.Context, server string) error {
	conn, err := pgx.Connect(ctx, server)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx)) //nolint:errcheck // nothing is left to do on it
	if _, err := conn.Exec(ctx, "drop database if exists "+databaseName+" with (force)"); err != nil {
		return fmt.Errorf("drop %s: %w", databaseName, err)
	}
	if _, err := conn.Exec(ctx, "create database "+databaseName); err != nil {
		return fmt.Errorf("create %s: %w", databaseName, err)
	}
	return nil
}

// lockName is the file whose lock a running demo has.
const lockName = "lock"

func notLock(e fs.DirEntry) bool { return e.Name() != lockName }

// claim takes the folder for this run, so that no other run empties it.
func (d *show) claim() error {
	if err := os.MkdirAll(d.Dir, 0o755); err != nil { //nolint:gosec // the private server's account passes through
		return err
	}
	unlock, err := pgserver.Lock(filepath.Join(d.Dir, lockName))
	if errors.Is(err, pgserver.ErrInUse) {
		return fmt.Errorf("a demo is running in %s; stop it first, or name another folder with --data and another address with --listen", d.Dir)
	}
	if err != nil {
		return err
	}
	d.stops = append(d.stops, unlock)
	return nil
}

// empty removes all that a former run left in a claimed folder.
func empty(dir string) error {
	left, err := os.ReadDir(dir)
	for _, entry := range left {
		if notLock(entry) {
			err = errors.Join(err, os.RemoveAll(filepath.Join(dir, entry.Name())))
		}
	}
	return err
}

// closedTo names the folder above dir that an ordinary account can't pass, when the program runs as root: the private
// server runs as such an account. "" means that all are open.
func closedTo(dir string) string {
	if os.Geteuid() != 0 {
		return ""
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return ""
	}
	for folder := dir; folder != filepath.Dir(folder); folder = filepath.Dir(folder) {
		if info, err := os.Stat(folder); err == nil && info.IsDir() && info.Mode().Perm()&0o001 == 0 {
			return folder
		}
	}
	return ""
}

// spare is a folder that every account can reach.
func spare() string { return filepath.Join(os.TempDir(), "frostgate-demo") }
