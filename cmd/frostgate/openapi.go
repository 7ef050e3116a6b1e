package main

import (
	"context"
	"fmt"

	"frostgate/api"
	"frostgate/db"

	"github.com/google/uuid"
)

type openAPICommand struct{}

// Run prints the description of the API. No database is needed for it.
func (openAPICommand) Run(p *program) error {
	a, err := api.New(api.Config{
		DB: new(db.DB), Version: version,
		EnqueueAssess: func(context.Context, *db.Tx, ...uuid.UUID) error { return nil },
	})
	if err != nil {
		return err
	}
	document, err := a.OpenAPI()
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(p.stdout, "%s\n", document)
	return err
}
