package api

import (
	"fmt"
	"net/http"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestQueriesThatWouldBePassedOver(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for query, violation := range map[string]string{
		"verdict=place&verdict=move":   "verdict repeated",
		"limit=5&limit=6":              "limit repeated",
		"text=%00":                     "text control_character",
		"text=%FF":                     "text control_character",
		"verdict=mo%ve":                " malformed",
		"state=planned;verdict=move":   " malformed",
		"day_from=0000-01-01":          "day_from format",
		"day_until=9999-12-31":         "day_until format",
		"starts_from=2027-01-01T00:00": "starts_from format",
	} {
		b.do(call{method: "GET", path: "/v1/pours?" + query}).wrong(422, "invalid", violation)
		b.do(call{method: "GET", path: "/v1/pours.csv?" + query}).is(http.StatusUnprocessableEntity)
	}
}

// RFC 9110, 13.1.1: If-Match: * asks only that the record is there.
func TestEditsOfWhateverIsThereAreAllDone(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	id := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("Bay 3", firstStart)}).is(http.StatusCreated).str("id")
	const edits = 12
	together(edits, func(i int) {
		b.do(call{
			method: "PATCH", path: "/v1/pours/" + id, body: object{"note": fmt.Sprint("by ", i)}, header: map[string]string{"If-Match": "*"},
		}).is(http.StatusOK)
	})
	require.InDelta(t, 1+edits, b.do(call{method: "GET", path: "/v1/pours/" + id}).is(http.StatusOK)["version"], 0)

	statuses := make([]int, edits)
	together(edits, func(i int) {
		statuses[i] = b.do(call{method: "POST", path: "/v1/pours/" + id + "/place", body: object{"at": firstStart.Add(-time.Hour)}}).status
	})
	done := 0
	for _, status := range statuses {
		if status == http.StatusOK {
			done++
			continue
		}
		require.Equal(t, http.StatusConflict, status, "the others are told that it is placed already")
	}
	require.Equal(t, 1, done)
}

func together(n int, do func(int)) {
	var all sync.WaitGroup
	for i := range n {
		all.Go(func() { do(i) })
	}
	all.Wait()
}
