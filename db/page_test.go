package db_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"frostgate/db"

	"github.com/stretchr/testify/require"
)

// Whoever walks a list page by page meets every row that was there from the
// start exactly once and in order, while rows are added before, between and
// after; and meets them again on the way back.
func TestPagesStayInPlace(t *testing.T) {
	t.Parallel()
	b := setup(t)
	add := func(name string, start time.Time) {
		p := b.draft(name, start)
		p.State, p.CancelledAt = db.Cancelled, &monday // no crew to be free
		b.store(p)
	}
	for n := range 40 {
		add(fmt.Sprintf("old %02d", n), monday.Add(time.Duration(n/4)*time.Hour)) // four start at once
	}
	whole, err := b.Pours(b.ctx, all, db.PourFilter{}, db.Page{Limit: 1000})
	require.NoError(t, err)
	require.Len(t, whole.Items, 40)
	require.Nil(t, whole.Next)
	require.Nil(t, whole.Prev)
	require.True(t, slices.IsSortedFunc(whole.Items, func(x, y db.PourLine) int {
		if c := x.StartsAt.Compare(y.StartsAt); c != 0 {
			return c
		}
		return slices.Compare(x.ID[:], y.ID[:])
	}))

	walk := func(first db.Page, onward func(l db.List[db.PourLine]) *db.Page) (met []string) {
		page := &first
		for step := 0; page != nil; step++ {
			l, err := b.Pours(b.ctx, all, db.PourFilter{Text: "old"}, *page)
			require.NoError(t, err)
			require.LessOrEqual(t, len(l.Items), 7)
			part := names(l)
			if page.Before != nil {
				slices.Reverse(part)
			}
			met = append(met, part...)
			page = onward(l)
			add("new before", monday.Add(-time.Hour))
			add("new between", monday.Add(time.Duration(step)*time.Hour+time.Minute))
			add("new after", monday.Add(100*time.Hour))
		}
		return met
	}
	last := db.Key{}
	there := walk(db.Page{Limit: 7}, func(l db.List[db.PourLine]) *db.Page {
		if l.Next == nil {
			return nil
		}
		last = *l.Next
		return &db.Page{Limit: 7, After: l.Next}
	})
	require.Equal(t, names(whole), there)

	// On the way back the walk starts after the last key seen.
	end := slices.IndexFunc(whole.Items, func(p db.PourLine) bool { return p.ID == last.ID })
	back := walk(db.Page{Limit: 7, Before: &last}, func(l db.List[db.PourLine]) *db.Page {
		require.NotNil(t, l.Next)
		if l.Prev == nil {
			return nil
		}
		return &db.Page{Limit: 7, Before: l.Prev}
	})
	want := names(whole)[:end]
	slices.Reverse(want)
	require.Equal(t, want, back)
}

func TestPageLimits(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for n := range 60 {
		b.newPlant(fmt.Sprintf("plant %d", n))
	}
	for limit, want := range map[int]int{0: 50, -3: 50, 1: 1, 61: 61, 5000: 61} {
		l, err := b.Plants(b.ctx, all, db.Filter{}, db.Page{Limit: limit})
		require.NoError(t, err)
		require.Len(t, l.Items, want)
	}
	l, err := b.Plants(b.ctx, all, db.Filter{Text: "nothing has this"}, db.Page{})
	require.NoError(t, err)
	require.Equal(t, db.List[db.Plant]{Items: []db.Plant{}}, l)
}

// Newest first: the order of what happens rather than of what is planned.
func TestPagesNewestFirst(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("p", monday)
	for n := range 9 {
		b.raise(p, fmt.Sprintf("kind %d", n))
	}
	var met []string
	page := db.Page{Limit: 4}
	for {
		l, err := b.Alerts(b.ctx, all, db.AlertFilter{}, page)
		require.NoError(t, err)
		for _, a := range l.Items {
			met = append(met, a.Kind)
		}
		if l.Next == nil {
			break
		}
		page.After = l.Next
	}
	require.Len(t, met, 9)
	require.Equal(t, "kind 8", met[0])
	require.Equal(t, "kind 0", met[8])
}
