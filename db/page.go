package db

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
)

// Page asks for a part of a list: its beginning, what follows After, or what
// comes before Before.
type Page struct {
	Limit  int // default 50, at most 1000
	After  *Key
	Before *Key
}

// Key is the place of a row in its list. A list's order never depends on
// anything else, so pages stay in place while rows are added.
type Key struct {
	At time.Time
	ID uuid.UUID
}

// List is a part of a list.
type List[T any] struct {
	Items []T
	Next  *Key // to ask for what follows; nil at the end
	Prev  *Key // to ask for what comes before; nil at the beginning
}

func (p Page) limit() int {
	if p.Limit <= 0 {
		return 50
	}
	return min(p.Limit, 1000)
}

// query is a list's statement in the making. Its text ends in a where clause.
type query struct {
	text strings.Builder
	args args
}

func newQuery(sql string, a args) *query {
	q := &query{args: a}
	q.text.WriteString(sql)
	return q
}

// and adds a condition.
func (q *query) and(condition string) { q.text.WriteString(" and " + condition) }

// when adds a condition, with the value of the one name in it, if it is asked for.
func (q *query) when(asked bool, condition, name string, value any) {
	if asked {
		q.and(condition)
		q.args.set(name, value)
	}
}

// like finds a text anywhere in the columns, without case, if it is asked for.
func (q *query) like(columns, text string) {
	escape := strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`)
	q.when(text != "", "("+columns+") ilike @text", "text", "%"+escape.Replace(text)+"%")
}

// order is the sort of a list: two columns, both rising or both falling.
type order struct {
	at, id  string
	falling bool
}

// list runs the query for one page. key tells the place of a row.
func list[T any](ctx context.Context, r reads, q *query, p Page, o order, key func(T) Key) (List[T], error) {
	backward := p.Before != nil
	from := p.After
	if backward {
		from = p.Before
	}
	sign, direction := ">", ""
	if o.falling != backward {
		sign, direction = "<", " desc"
	}
	if from != nil {
		q.when(true, "("+o.at+", "+o.id+") "+sign+" (@key_at, @key_id)", "key_at", from.At)
		q.args.set("key_id", from.ID)
	}
	q.text.WriteString(" order by " + o.at + direction + ", " + o.id + direction + " limit @limit")
	q.args.set("limit", p.limit()+1)

	rows, err := many[T](ctx, r.q, q.text.String(), q.args)
	if err != nil {
		return List[T]{}, err
	}
	more := len(rows) > p.limit()
	if more {
		rows = rows[:p.limit()]
	}
	if backward {
		slices.Reverse(rows)
	}
	return paged(rows, more, from != nil, backward, key), nil
}

// paged sets the keys around a page: more is whether rows are left in the
// direction read, started whether the page began at a key.
func paged[T any](rows []T, more, started, backward bool, key func(T) Key) List[T] {
	l := List[T]{Items: rows}
	if len(rows) == 0 {
		return l
	}
	first, last := key(rows[0]), key(rows[len(rows)-1])
	ahead, behind := more, started
	if backward {
		ahead, behind = started, more
	}
	if ahead {
		l.Next = &last
	}
	if behind {
		l.Prev = &first
	}
	return l
}

// seen narrows a list of pours p to a scope. Unlike seenPour it names only the
// lists that are set, so that an index on them can serve.
func (q *query) seen(scope Scope) {
	q.when(scope.Crews != nil, "p.crew_id = any(@scope_crews)", "scope_crews", scope.Crews)
	q.when(scope.Plants != nil, "p.plant_id = any(@scope_plants)", "scope_plants", scope.Plants)
}
