package db

import (
	"context"
	"fmt"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"github.com/jackc/pgx/v5"
)

// args are the values of the @names in a statement. A name that the statement
// uses and args lacks is an error. A record's fields are there under their plain
// names, which stand in for a column's.
type args map[string]any

// record gives the exported fields of structs as arguments, embedded ones too.
func record(structs ...any) args {
	a := args{}
	for _, s := range structs {
		a.add(reflect.ValueOf(s))
	}
	return a
}

func (a args) add(v reflect.Value) {
	for i := range v.NumField() {
		field := v.Type().Field(i)
		switch {
		case field.Anonymous && field.Type.Kind() == reflect.Struct:
			a.add(v.Field(i))
		case field.IsExported():
			a[plain(field.Name)] = v.Field(i).Interface()
		}
	}
}

// set adds one argument, before a field of the same name.
func (a args) set(name string, value any) args {
	a[name] = value
	return a
}

// plain is a name without what sets a column apart from a field.
func plain(name string) string { return strings.ToLower(strings.ReplaceAll(name, "_", "")) }

// numbered is a statement with $1 for its first @name, and so on.
type numbered struct {
	sql   string
	names []string
}

var (
	argument   = regexp.MustCompile(`@[a-z_][a-z0-9_]*`)
	statements sync.Map // statement with names to numbered
)

func number(sql string) numbered {
	if known, ok := statements.Load(sql); ok {
		return known.(numbered)
	}
	var n numbered
	place := map[string]int{}
	n.sql = argument.ReplaceAllStringFunc(sql, func(at string) string {
		name := at[1:]
		if place[name] == 0 {
			n.names = append(n.names, name)
			place[name] = len(n.names)
		}
		return "$" + strconv.Itoa(place[name])
	})
	statements.Store(sql, n)
	return n
}

// RewriteQuery makes args usable as the only argument of a pgx query.
func (a args) RewriteQuery(_ context.Context, _ *pgx.Conn, sql string, _ []any) (string, []any, error) {
	n := number(sql)
	values := make([]any, len(n.names))
	for i, name := range n.names {
		value, ok := a[name]
		if !ok {
			value, ok = a[plain(name)]
		}
		if !ok {
			return "", nil, fmt.Errorf("statement lacks its argument %s", name)
		}
		values[i] = value
	}
	return n.sql, values, nil
}

// one reads the only row of a query; ErrNotFound when there is none.
func one[T any](ctx context.Context, q querier, sql string, arguments ...any) (T, error) {
	rows, err := q.Query(ctx, sql, arguments...)
	if err != nil {
		var none T
		return none, fault(err)
	}
	v, err := pgx.CollectOneRow(rows, pgx.RowToStructByName[T])
	return v, fault(err)
}

// many reads all rows of a query.
func many[T any](ctx context.Context, q querier, sql string, arguments ...any) ([]T, error) {
	rows, err := q.Query(ctx, sql, arguments...)
	if err != nil {
		return nil, fault(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[T])
	return list, fault(err)
}

// values reads all rows of a query with one column.
func values[T any](ctx context.Context, q querier, sql string, arguments ...any) ([]T, error) {
	rows, err := q.Query(ctx, sql, arguments...)
	if err != nil {
		return nil, fault(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[T])
	return list, fault(err)
}

// value reads the only value of a query; ErrNotFound when there is no row.
func value[T any](ctx context.Context, q querier, sql string, arguments ...any) (T, error) {
	rows, err := q.Query(ctx, sql, arguments...)
	if err != nil {
		var none T
		return none, fault(err)
	}
	v, err := pgx.CollectOneRow(rows, pgx.RowTo[T])
	return v, fault(err)
}

// run executes a statement and tells how many rows it touched.
func run(ctx context.Context, q querier, sql string, arguments ...any) (int64, error) {
	tag, err := q.Exec(ctx, sql, arguments...)
	return tag.RowsAffected(), fault(err)
}
