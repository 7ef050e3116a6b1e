package main

import (
	"fmt"

	"frostgate/cmd/frostgate/service"
	"frostgate/db"
)

// databaseFlags name the database of every command that has one.
type databaseFlags struct {
	DatabaseURL string `help:"PostgreSQL server that keeps the records; without one a private server runs in the data folder." env:"DATABASE_URL,FROSTGATE_DATABASE_URL" placeholder:"postgres://..." secret:""`
	Data        string `help:"Folder of the private server, and of the key unless one is given." default:".data" type:"path" placeholder:"DIR"`
	Key         string `help:"64 hexadecimal digits that seal the endpoints' addresses and secrets; replicas need the same. Kept in the data folder by default." placeholder:"HEX" secret:""`
}

func (f databaseFlags) config() service.Database {
	return service.Database{URL: f.DatabaseURL, Dir: f.Data, Key: f.Key}
}

type migrateCommand struct {
	databaseFlags
}

// Run migrates the database and says so.
func (c *migrateCommand) Run(p *program) error {
	return service.WithDatabase(p.ctx, service.Config{Database: c.config(), Log: p.log}, func(d *db.DB) error {
		version, _, err := d.Schema(p.ctx)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(p.stdout, "The schema is up to date, at version %d.\n", version)
		return err
	})
}
