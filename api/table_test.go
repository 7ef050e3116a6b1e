package api

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestTablesAsSpreadsheetsWriteThem(t *testing.T) {
	t.Parallel()
	want := []string{"Name", "Thickness (in)", "Note"}
	for name, text := range map[string]string{
		"comma":            "Name,Thickness (in),Note\nA,5,\"one, two\"\n",
		"semicolon":        "Name;Thickness (in);Note\nA;5;one, two\n",
		"tab":              "Name\tThickness (in)\tNote\nA\t5\tone, two\n",
		"byte order mark":  "\xef\xbb\xbfName,Thickness (in),Note\r\nA,5,\"one, two\"\r\n",
		"all quoted":       "\"Name\",\"Thickness (in)\",\"Note\"\n\"A\",\"5\",\"one, two\"\n",
		"trailing rows":    "Name,Thickness (in),Note\nA,5,\"one, two\"\n,,\n,,\n",
		"no last line end": "Name,Thickness (in),Note\nA,5,\"one, two\"",
	} {
		table, err := readTable([]byte(text))
		require.NoError(t, err, name)
		require.Equal(t, want, table.header, name)
		require.Len(t, table.rows, 1, name)
		require.Equal(t, tableRow{number: 2, cells: []string{"A", "5", "one, two"}}, table.rows[0], name)
		require.Equal(t, name == "semicolon", table.decimalComma, name)
	}
}

func TestRowsAreNumberedAsTheSpreadsheetDoes(t *testing.T) {
	t.Parallel()
	table, err := readTable([]byte("a,b\n1,2\n,\n3\n"))
	require.NoError(t, err)
	require.Equal(t, 2, table.rows[0].number)
	require.Equal(t, 4, table.rows[1].number)
	require.Empty(t, table.rows[1].cell(1), "a short row ends in empty cells")
}

func TestTablesThatAreRefused(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		text, code string
		row        int
	}{
		"nothing":       {"", "", 0},
		"header only":   {"a,b\n", "", 0},
		"latin 1":       {"name\nM\xfcller\n", "", 0},
		"utf 16":        {"\xff\xfea\x00,\x00b\x00\n\x00", "", 0},
		"stray quote":   {"a,b\n1,2\nx\"y,3\n", "quotes", 3},
		"open quote":    {"a,b\n1,\"2\n3,4\n", "quotes", 2},
		"too wide":      {"a,b\n1,2,3\n", "width", 2},
		"too many rows": {"a\n" + strings.Repeat("1\n", mostRows+1), "too_many", mostRows + 2},
	} {
		_, err := readTable([]byte(c.text))
		var p *Problem
		require.ErrorAs(t, err, &p, name)
		require.Equal(t, 422, p.Status, name)
		if c.code != "" {
			require.Len(t, p.Errors, 1, name)
			require.Equal(t, c.code, p.Errors[0].Code, name)
			require.Equal(t, c.row, p.Errors[0].Row, name)
		}
	}
}

// OWASP, CSV Injection: cells that begin with = + - @ tab or carriage return are computed by spreadsheets.
func TestNoCellIsTakenForAFormula(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", "=HYPERLINK(\"http://192.0.2.1\")", "＝1"} {
		require.True(t, strings.HasPrefix(harmless(text), "'"), "%q", text)
		require.Equal(t, text, meant(harmless(text)))
	}
	for _, text := range []string{"", "Bay 3", "'til noon", "5 - 3", "a=b", "''"} {
		require.Equal(t, text, harmless(text))
		require.Equal(t, text, meant(text))
	}
}

func TestNeutralisingAFormulaCanBeUndone(t *testing.T) {
	t.Parallel()
	text := rapid.StringOf(rapid.SampledFrom([]rune("'=+-@\t\r\n＝ab ")))
	rapid.Check(t, func(t *rapid.T) {
		s := text.Draw(t, "text")
		require.Equal(t, s, meant(harmless(s)))
		require.False(t, startsFormula(harmless(s)))
	})
}
