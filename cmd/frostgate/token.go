package main

import (
	"errors"
	"fmt"
	"time"

	"frostgate/cmd/frostgate/service"
	"frostgate/db"
	"frostgate/db/pgserver"

	"github.com/google/uuid"
)

type tokenCommand struct {
	databaseFlags

	Name    string        `arg:"" help:"Whom or what the token is for."`
	Role    string        `help:"What its bearer may do: dispatcher, viewer or field." enum:"dispatcher,viewer,field" default:"viewer"`
	Crews   []uuid.UUID   `help:"Ids of the crews that it is narrowed to." placeholder:"ID"`
	Plants  []uuid.UUID   `help:"Ids of the plants that it is narrowed to." placeholder:"ID"`
	Expires time.Duration `help:"How long it is good for; without it, until revoked." placeholder:"720h"`
}

// Run makes a token and prints its secret, which is stored nowhere.
func (c *tokenCommand) Run(p *program) error {
	if c.Expires < 0 {
		return errors.New("--expires must lie ahead")
	}
	err := service.WithDatabase(p.ctx, service.Config{Database: c.config(), Log: p.log}, func(d *db.DB) error {
		token := db.Token{Name: c.Name, Role: c.Role, CrewIDs: c.Crews, PlantIDs: c.Plants}
		if c.Expires > 0 {
			end := time.Now().Add(c.Expires)
			token.ExpiresAt = &end
		}
		secret, err := service.NewToken(p.ctx, d, token)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintln(p.stdout, secret)
		return err
	})
	if errors.Is(err, pgserver.ErrInUse) {
		return fmt.Errorf("%w: make the token through the running service (POST /v1/tokens), or stop that first", err)
	}
	return err
}
