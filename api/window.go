package api

import (
	"context"
	"net/http"

	"frostgate/rules"

	"github.com/google/uuid"
)

// Windows are the starts that a pour could have in the coming days.
type Windows struct {
	Items []rules.Window `json:"items" doc:"By start. Cost has no unit; lower is better."`
}

func (a *API) serveWindows() {
	serve(a, route{
		method: http.MethodGet, path: "/v1/pours/{id}/windows", id: "list-windows", tag: "Assessments",
		summary: "List when else a pour could start", about: "From its latest assessment; empty until there is one.", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[Windows], error) {
		if _, err := a.db.Pour(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		found, err := a.db.Windows(ctx, scopeOf(ctx), []uuid.UUID{in.ID})
		if err != nil {
			return nil, err
		}
		windows := Windows{Items: []rules.Window{}}
		for _, w := range found {
			windows.Items = append(windows.Items, w.Windows...)
		}
		return &answered[Windows]{Body: windows}, nil
	})
}

// itemInput asks for what hangs on a record.
type itemInput struct {
	ByID
}

// answered is a plain answer.
type answered[T any] struct {
	Body T
}
