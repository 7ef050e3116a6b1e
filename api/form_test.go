package api

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// JSON has years of four digits only (RFC 3339, 5.6), a database has more: a record with such a year could be stored
// but never be sent, nor any list that it stands in.
func TestNoRecordTakesAYearThatCannotBeSent(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	form := s.pour("Bay 3", firstStart)
	id := b.do(call{method: "POST", path: "/v1/pours", body: form}).is(http.StatusCreated).str("id")
	for _, year := range []string{"0000-01-01T00:00:00+05:00", "9999-12-31T23:59:59-05:00", "0001-01-01T00:00:00Z", "1500-01-01T00:00:00Z", "soon"} {
		for _, field := range []string{"starts_at", "cancel_by", "occupied_until"} {
			wrong := form.with(object{field: year})
			b.do(call{method: "POST", path: "/v1/pours", body: wrong}).wrong(422, "invalid", "#/"+field+" format")
			b.do(call{method: "POST", path: "/v1/pours/bulk", body: []object{wrong}}).wrong(422, "invalid", "#/0/"+field+" format")
			b.do(call{method: "PATCH", path: "/v1/pours/" + id, body: object{field: year}, header: map[string]string{"If-Match": "*"}}).
				wrong(422, "invalid", "#/"+field+" format")
		}
		cover := form.with(object{"protection": []object{{"r_m2k_w": 0.7, "on_at": year}}})
		b.do(call{method: "POST", path: "/v1/pours", body: cover}).wrong(422, "invalid", "#/protection/0/on_at format")
		token := object{"name": "Tablet", "role": "viewer", "expires_at": year}
		b.do(call{method: "POST", path: "/v1/tokens", body: token}).wrong(422, "invalid", "#/expires_at format")
	}
	require.Len(t, b.do(call{method: "GET", path: "/v1/pours"}).is(http.StatusOK).items(), 1)
}

func TestDaysThatAreNoDaysAreRefused(t *testing.T) {
	t.Parallel()
	b := setup(t)
	crew := object{"name": "Crew 1", "day_starts": "07:00", "day_ends": "17:00"}
	for _, days := range []any{[]any{[]any{}}, []any{object{}}, []any{nil}, []any{"1"}, []any{1.5}, []any{0}, []any{8}} {
		b.do(call{method: "POST", path: "/v1/crews", body: crew.with(object{"days": days})}).is(http.StatusUnprocessableEntity)
	}
	b.do(call{method: "POST", path: "/v1/crews", body: crew.with(object{"days": []int{1, 2, 1}})}).wrong(422, "invalid", "#/days/2 repeated")
	b.do(call{method: "POST", path: "/v1/crews", body: crew.with(object{"days": []int{7, 1}})}).is(http.StatusCreated)
}

func TestTextsComeBackFromATableAsTheyWereStored(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	for _, blank := range []string{" ", "\t\n", "\u00a0", "\u3000 "} {
		b.do(call{method: "POST", path: "/v1/plants", body: object{"name": blank}}).wrong(422, "invalid", "#/name format")
		b.do(call{method: "POST", path: "/v1/pours", body: s.pour(blank, firstStart)}).wrong(422, "invalid", "#/name format")
	}
	s.plant = b.do(call{method: "POST", path: "/v1/plants", body: object{"name": " Lake plant\u00a0"}}).is(http.StatusCreated).str("id")
	form := s.pour("  Bay 3 ", firstStart).with(object{"note": "\r\ngate on the left\r\nring twice\rmud\n\n"})
	stored := b.do(call{method: "POST", path: "/v1/pours", body: form}).is(http.StatusCreated)
	require.Equal(t, "Bay 3", stored.str("name"))
	require.Equal(t, "gate on the left\nring twice\nmud", stored.str("note"))
	report := b.csv("", b.exported("")).is(http.StatusOK)
	require.InDelta(t, 1, report["unchanged"], 0, report)
}

// Spreadsheets number empty lines, too.
func TestEmptyLinesAreRowsToo(t *testing.T) {
	t.Parallel()
	sheet, err := readTable([]byte("\nName,Note\r\n\r\nBay 1,\"two\nlines\"\n\n\n,\nBay 2,\n"))
	require.NoError(t, err)
	var numbers []int
	for _, row := range sheet.rows {
		numbers = append(numbers, row.number)
	}
	require.Equal(t, []int{4, 8}, numbers)
}

// Whoever moves a start in the sheet means the crew's hours, the last hour to cancel and the blankets, too.
func TestATableMovesAlongWhatHangsOnTheStart(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	form := s.pour("Bay 3", firstStart).with(object{
		"occupied_until": firstStart.Add(9 * time.Hour), "cancel_by": firstStart.Add(-18 * time.Hour),
		"protection": []object{{"r_m2k_w": 0.7, "on_at": firstStart.Add(8 * time.Hour)}},
	})
	id := b.do(call{method: "POST", path: "/v1/pours", body: form}).is(http.StatusCreated).str("id")
	sheet := strings.Replace(b.exported(""), "2026-01-15 07:00", "2026-01-16 08:00", 1)
	require.Equal(t, n(0, 1, 0, 0), counts(b.csv("", sheet).is(http.StatusOK)))
	got := b.do(call{method: "GET", path: "/v1/pours/" + id}).is(http.StatusOK)
	require.Equal(t, "2026-01-16T14:00:00Z", got["starts_at"])
	require.Equal(t, "2026-01-16T23:00:00Z", got["occupied_until"])
	require.Equal(t, "2026-01-15T20:00:00Z", got["cancel_by"])
	require.Contains(t, b.exported(""), "2026-01-16T22:00:00Z", "the blankets")

	sheet = "ID,Version,Starts,Cancel by\n" + id + ",2,2026-01-17 08:00,2026-01-15 12:00\n"
	require.Equal(t, n(0, 1, 0, 0), counts(b.csv("", sheet).is(http.StatusOK)))
	got = b.do(call{method: "GET", path: "/v1/pours/" + id}).is(http.StatusOK)
	require.Equal(t, "2026-01-15T18:00:00Z", got["cancel_by"], "given anew")
	require.Equal(t, "2026-01-17T23:00:00Z", got["occupied_until"])
}

func TestCellsWithControlCharactersAreNamed(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.stock()
	for _, bad := range []string{"\x00", "\x07", "\u0085"} {
		sheet := strings.Replace(usSheet, "Bay 1", "Bay"+bad+"1", 1)
		b.csv("", sheet).wrong(422, "invalid", "2:Name control_character")
	}
}

// RFC 9110, 8.3.1: type and subtype are case-insensitive.
func TestMediaTypesInAnyCase(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.do(call{method: "POST", path: "/v1/plants", body: object{"name": "A"}, header: map[string]string{"Content-Type": "APPLICATION/JSON; Charset=UTF-8"}}).
		is(http.StatusCreated)
}

func TestNumbersThatAreNoWholeNumbersAreNamed(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	form := s.pour("Bay 3", firstStart)
	id := b.do(call{method: "POST", path: "/v1/pours", body: form}).is(http.StatusCreated).str("id")
	for field, wrong := range map[string]object{
		"service_category":   {"service_category": json.RawMessage("2.0e0")},
		"protection_at_hand": {"protection_at_hand": []object{{"r_m2k_w": 0.7, "max_layers": json.RawMessage("1e308")}}},
	} {
		b.do(call{method: "POST", path: "/v1/pours", body: form.with(wrong)}).wrong(422, "invalid", "#/"+field+" type")
		b.do(call{method: "POST", path: "/v1/pours/bulk", body: []object{form.with(wrong)}}).wrong(422, "invalid", "#/0/"+field+" type")
		if field != "service_category" { // a patch is written anew before it is read, so 2.0e0 is 2
			b.do(call{method: "PATCH", path: "/v1/pours/" + id, body: wrong, header: map[string]string{"If-Match": "*"}}).wrong(422, "invalid", "#/"+field+" type")
		}
	}
}

// A pour that people were told of stays on record.
func TestDeletingWhatHadAlertsSaysWhatToDo(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	id := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("Bay 3", firstStart.Add(24*time.Hour))}).is(http.StatusCreated).str("id")
	b.raised(uuid.MustParse(id))
	problem := b.do(call{method: "DELETE", path: "/v1/pours/" + id, header: map[string]string{"If-Match": "*"}}).is(http.StatusConflict)
	require.Contains(t, problem["detail"], "cancel it instead")
}

// raised stores an alert of a pour.
func (b *bundle) raised(pour uuid.UUID) {
	b.t.Helper()
	require.NoError(b.t, b.db.Tx(b.t.Context(), db.Actor{Name: "test"}, func(tx *db.Tx) error {
		alert, err := tx.LockAlert(b.t.Context(), db.Subject{PourID: &pour}, "pour.move")
		if err != nil {
			return err
		}
		alert.Condition, alert.Severity, alert.Episode, alert.Reason = "raised", "major", 1, "condition_met"
		_, _, err = tx.Advance(b.t.Context(), alert, db.Transition{Event: "alert.raised"})
		return err
	}))
}
