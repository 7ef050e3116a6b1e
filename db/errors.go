package db

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"regexp"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// What a caller can do something about.
var (
	ErrNotFound    = errors.New("not found")                     // or out of the caller's scope
	ErrConflict    = errors.New("conflicts with another record") // a name taken, a crew in two places, a record in use
	ErrInvalid     = errors.New("not a valid value")             // refused by the schema
	ErrStale       = errors.New("changed meanwhile")             // the version expected is not the version stored
	ErrNotAllowed  = errors.New("not allowed in this scope")     // shared records are made by callers without a scope
	ErrRunning     = errors.New("still running")                 // another transaction is at the same thing
	ErrKeyReused   = errors.New("key used for another request")  // idempotency key with another body
	ErrUnavailable = errors.New("database unavailable")          // try again later
)

// FieldError is a value that the schema refuses. It wraps ErrConflict or
// ErrInvalid.
type FieldError struct {
	Field  string // column, such as crew_id; "" when the record as a whole is meant
	Detail string // fit for a person: "is already taken"
	kind   error
}

// Error says field and detail.
func (e *FieldError) Error() string {
	return strings.TrimSpace(e.Field + " " + e.Detail)
}

// Unwrap gives ErrConflict or ErrInvalid.
func (e *FieldError) Unwrap() error { return e.kind }

// details are the sentences of constraints that their kind alone doesn't tell.
var details = map[string]string{
	"pours_crew_id_excl":         "is already placing elsewhere at that time",
	"pours_occupied_until_check": "must be after the start, by at most 7 days",
	"pours_placed_at_check":      "is needed once a pour is placed",
	"pours_released_at_check":    "goes with the state released, and only with it",
	"pours_cancelled_at_check":   "goes with the state cancelled, and only with it",
	"crews_day_ends_min_check1":  "must be after the start of the day",
	"firm_quiet_ends_min_check1": "goes with the start of the quiet hours",
	"plants_longitude_check1":    "goes with the latitude",
	"alerts_pour_id_fkey":        "had alerts, which stay on record; cancel it instead",
}

// fault gives a server's refusal its meaning; other errors pass.
func fault(err error) error {
	if err == nil {
		return nil
	}
	if errors.Is(err, pgx.ErrNoRows) {
		return ErrNotFound
	}
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		if unreachable(err) {
			return fmt.Errorf("%w: %w", ErrUnavailable, err)
		}
		return err
	}
	field := fieldOf(pg)
	switch pg.Code {
	case "23505": // unique_violation
		return refused(ErrConflict, pg, field, "is already taken")
	case "23P01": // exclusion_violation
		return refused(ErrConflict, pg, field, "overlaps another record")
	case "23503": // foreign_key_violation
		if strings.Contains(pg.Detail, "still referenced") {
			return refused(ErrConflict, pg, "", "is still in use")
		}
		return refused(ErrInvalid, pg, field, "does not exist")
	case "23514": // check_violation
		return refused(ErrInvalid, pg, field, "is out of range")
	case "23502": // not_null_violation
		return refused(ErrInvalid, pg, pg.ColumnName, "is missing")
	case "22023": // invalid_parameter_value, of the zone that a check looks up
		return refused(ErrInvalid, pg, "timezone", "is not a known time zone")
	case "22003", "22007", "22008", "22021", "22P02", "22P05": // data exceptions
		return refused(ErrInvalid, pg, field, "has a value that cannot be stored")
	case "57014", "55P03", "57P01", "57P02", "57P03", "53300", "53100", "53200", "25006":
		return fmt.Errorf("%w: %w", ErrUnavailable, err)
	}
	return err
}

func refused(kind error, pg *pgconn.PgError, field, detail string) error {
	if known, ok := details[pg.ConstraintName]; ok {
		detail = known
	}
	return &FieldError{Field: field, Detail: detail, kind: kind}
}

var constraintName = regexp.MustCompile(`^(.+)_(?:check\d*|key|fkey|excl)$`)

// fieldOf reads the column out of a constraint's name: table_column_kind.
func fieldOf(pg *pgconn.PgError) string {
	name, found := strings.CutPrefix(pg.ConstraintName, pg.TableName+"_")
	if m := constraintName.FindStringSubmatch(name); found && m != nil {
		return m[1]
	}
	return ""
}

// unreachable tells whether err came from the way to the server.
func unreachable(err error) bool {
	var connect *pgconn.ConnectError
	var network net.Error
	return errors.As(err, &connect) || errors.As(err, &network) ||
		errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) || errors.Is(err, net.ErrClosed) ||
		errors.Is(err, context.DeadlineExceeded) || strings.Contains(err.Error(), "conn closed")
}
