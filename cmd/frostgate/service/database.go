package service

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"frostgate/db"
	"frostgate/db/pgserver"
)

// Database names the server that keeps the records.
type Database struct {
	URL  string // of a server; empty starts a private one in Folder
	Dir  string // of the private server, and of the key when Key is empty
	Name string // of the database on the private server; default frostgate
	Key  string // 64 hexadecimal digits that seal endpoints' URLs and secrets; empty keeps one in Dir
}

// openDatabase starts the private server when there is to be one, connects, and brings the schema up to date.
func (s *Service) openDatabase(ctx context.Context, c Database) (*db.DB, error) {
	config := db.Config{URL: c.URL, Log: s.log}
	var err error
	if config.Key, err = c.key(); err != nil {
		return nil, err
	}
	if c.URL == "" {
		server, err := pgserver.Start(ctx, pgserver.Config{Dir: filepath.Join(c.Dir, "postgres"), Database: c.Name, Log: s.log})
		if err != nil {
			return nil, err
		}
		s.started("private database", func(context.Context) error { return server.Stop() })
		go func() {
			<-server.Done()
			if err := server.Err(); err != nil {
				s.fail(err)
			}
		}()
		config.Conn = server.ConnConfig("")
		s.log.InfoContext(ctx, "using a private database; set DATABASE_URL to use a server of your own", "dir", server.Dir())
	}
	database, err := db.Open(ctx, config)
	if err != nil {
		return nil, err
	}
	s.started("database", func(context.Context) error { database.Close(); return nil })
	return database, database.Migrate(ctx)
}

func (c Database) key() ([]byte, error) {
	if c.Key != "" {
		key, err := hex.DecodeString(c.Key)
		if err != nil || len(key) != 32 {
			return nil, errors.New("the key must be 64 hexadecimal digits (openssl rand -hex 32 makes one)")
		}
		return key, nil
	}
	if err := os.MkdirAll(c.Dir, 0o755); err != nil { //nolint:gosec // the private server's account passes through; what lies in it is closed
		return nil, fmt.Errorf("make data folder: %w", err)
	}
	return db.KeyFile(filepath.Join(c.Dir, "key"))
}

// WithDatabase opens the database, its schema up to date, for one task.
func WithDatabase(ctx context.Context, c Config, do func(*db.DB) error) error {
	s := newService(c)
	database, err := s.openDatabase(ctx, c.Database)
	if err == nil {
		err = do(database)
	}
	return errors.Join(err, s.Stop())
}
