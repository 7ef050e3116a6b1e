package scheduler

import (
	"context"
	"encoding/json"
	"fmt"

	"frostgate/db"

	"github.com/google/uuid"
)

// EventsChannel is where the database notifies of what changed; see
// [db.DB.Listen].
const EventsChannel = "frostgate_events"

// An Event is one payload on EventsChannel. It says where to look, not what is
// there.
type Event struct {
	Kind string      `json:"kind"` // pour, alert, source or delivery
	IDs  []uuid.UUID `json:"ids,omitempty"`
	Name string      `json:"name,omitempty"` // of a source
}

// mostIDs keeps a payload under the 8000 bytes that the database takes.
const mostIDs = 150

// announce tells the listeners of all replicas when tx commits.
func announce(ctx context.Context, tx *db.Tx, e Event) error {
	if len(e.IDs) > mostIDs {
		rest := e
		e.IDs, rest.IDs = e.IDs[:mostIDs], e.IDs[mostIDs:]
		if err := announce(ctx, tx, rest); err != nil {
			return err
		}
	}
	payload, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("announce %s: %w", e.Kind, err)
	}
	return tx.Notify(ctx, EventsChannel, string(payload))
}
