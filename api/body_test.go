package api

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestStrictJSON(t *testing.T) {
	t.Parallel()
	for _, text := range []string{`{}`, `null`, ` {"a":[1,-0,2.5e3,true,null,"\u00e9\n"]} `, `{"a":{"a":1},"b":{"a":1}}`, strings.Repeat("[", 32) + strings.Repeat("]", 32)} {
		require.Nil(t, strictJSON([]byte(text)), text)
	}
	for name, c := range map[string]struct {
		text    string
		status  int
		code    string
		pointer string
	}{
		"cut off":            {`{"a":`, 400, "malformed", ""},
		"not json":           {`hello`, 400, "malformed", ""},
		"NaN":                {`{"a":NaN}`, 400, "malformed", "#/a"},
		"comment":            {`{/* */}`, 400, "malformed", ""},
		"trailing comma":     {`[1,]`, 400, "malformed", ""},
		"two values":         {`{} {}`, 400, "trailing_data", ""},
		"value and garbage":  {`{} x`, 400, "malformed", ""},
		"byte order mark":    {"\xef\xbb\xbf{}", 400, "malformed", ""},
		"utf 16":             {"\xff\xfe{\x00}\x00", 400, "malformed", ""},
		"invalid utf 8":      {"{\"a\":\"\xff\"}", 400, "malformed", "#/a"},
		"lone surrogate":     {`{"a":"\ud800"}`, 400, "malformed", "#/a"},
		"repeated field":     {`{"a":1,"b":{"c":1,"c":2}}`, 400, "repeated_field", "#/b/c"},
		"repeated, escaped":  {`{"a":1,"\u0061":2}`, 400, "repeated_field", "#/a"},
		"33 deep":            {strings.Repeat("[", 33) + strings.Repeat("]", 33), 400, "too_deep", ""},
		"100,000 deep":       {strings.Repeat("[", 100_000), 400, "too_deep", ""},
		"NUL":                {`{"a":"x\u0000y"}`, 422, "control_character", "#/a"},
		"escape":             {`{"a":["\u001b[31m"]}`, 422, "control_character", "#/a/0"},
		"too large a number": {`{"a":1e400}`, 422, "out_of_range", "#/a"},
		"odd field name":     {`{"a":{"b.c":1}}`, 422, "unknown", "#/a/b.c"},
		"slash in name":      {`{"a/b":1}`, 422, "unknown", "#/a~1b"},
		"very long name":     {`{"a":{"` + strings.Repeat("x", 1000) + `":1}}`, 422, "unknown", "#/a"},
	} {
		p := strictJSON([]byte(c.text))
		require.NotNil(t, p, name)
		require.Equal(t, c.status, p.Status, name)
		if c.pointer == "" {
			require.Equal(t, c.code, p.Code, name)
			continue
		}
		require.Len(t, p.Errors, 1, name)
		require.Equal(t, c.code, p.Errors[0].Code, name)
		require.Equal(t, c.pointer, p.Errors[0].Pointer, name)
	}
}

func FuzzStrictJSON(f *testing.F) {
	f.Add([]byte(`{"a":[1,{"b":"\u00e9"}]}`))
	f.Add([]byte("\xef\xbb\xbf{}"))
	f.Add([]byte(`{"a":1,"a":2}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		p := strictJSON(body)
		if p != nil {
			require.Contains(t, []int{400, 422}, p.Status)
			require.NotEmpty(t, p.Detail)
		}
	})
}
