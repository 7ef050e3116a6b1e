package api

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// RFC 9110, 8.8.3 and 13.1: lists of entity tags, strong comparison for If-Match, weak for If-None-Match.
func TestEntityTags(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][]string{
		`"3"`:              {`"3"`},
		`"3", "4"`:         {`"3"`, `"4"`},
		`"3" ,W/"4"`:       {`"3"`, `W/"4"`},
		`*`:                {`*`},
		` "a b,c" , "d"  `: {`"a b,c"`, `"d"`},
	} {
		got, ok := entityTags(text)
		require.True(t, ok, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{``, `3`, `"3`, `"3" "4"`, `W/3`, `w/"3"`, `"3",x`} {
		_, ok := entityTags(text)
		require.False(t, ok, text)
	}
}

func TestConditions(t *testing.T) {
	t.Parallel()
	match := func(header string) error {
		m := Match{IfMatch: header}
		require.Empty(t, m.Resolve(nil))
		return m.check(3)
	}
	require.NoError(t, match(`"3"`))
	require.NoError(t, match(`"2", "3"`))
	require.NoError(t, match(`*`))
	require.Error(t, match(`"2"`))
	require.Error(t, match(`W/"3"`), "weak tags never match a change")

	require.True(t, NoneMatch{IfNoneMatch: `"3"`}.unchanged(`"3"`))
	require.True(t, NoneMatch{IfNoneMatch: `"1", W/"3"`}.unchanged(`"3"`))
	require.True(t, NoneMatch{IfNoneMatch: `*`}.unchanged(`"3"`))
	require.False(t, NoneMatch{IfNoneMatch: `"2"`}.unchanged(`"3"`))
	require.False(t, NoneMatch{IfNoneMatch: `3`}.unchanged(`"3"`))
	require.False(t, NoneMatch{}.unchanged(`"3"`))
}
