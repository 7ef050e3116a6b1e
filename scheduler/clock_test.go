package scheduler_test

import (
	"fmt"
	"net/http"
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// The clock of a replica's machine is wrong, either way: the database's decides
// what is due, so that nothing is held or tried again hours late.
func TestClocksDisagree(t *testing.T) {
	for _, wrong := range []time.Duration{-24 * time.Hour, -time.Hour, time.Hour, 24 * time.Hour} {
		t.Run(fmt.Sprint(wrong), func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.mild()
			w.endpoint("one")
			w.receiver.answers(func(_ *http.Request, attempt int) int {
				if attempt == 1 {
					return http.StatusServiceUnavailable
				}
				return http.StatusNoContent
			})
			s := w.start(func(c *scheduler.Config) {
				c.Members, c.Pace = -1, alert.Pace{Window: 100 * time.Millisecond}
				c.Clock = func() time.Time { return w.clock.Now().Add(wrong) }
			})
			e := &edits{w: w, by: s, pours: w.slabs("Slab", 2), wrote: map[uuid.UUID][]float64{}}
			for _, id := range e.pours {
				require.NoError(t, e.one(id, -6))
			}
			w.until("both have messages", 30*time.Second, func() bool {
				return w.count("select count(*) from tellings where alert_id is not null and state = 'told'") == 2
			})
			w.settled() // at the second try
			require.Equal(t, 2, w.requireTold())
			for _, id := range e.pours {
				require.Equal(t, rules.Move, w.stored(id).Verdict)
			}
			w.invariants()
		})
	}
}
