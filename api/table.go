package api

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"unicode/utf8"
)

// mostRows bounds a table of pours, in CSV or JSON.
const mostRows = 1000

// A table is a sheet as spreadsheets export it: a header row, then records. The header is row 1.
type table struct {
	header       []string
	rows         []tableRow
	decimalComma bool // the sheet separates fields by semicolons, so its locale writes 12,5
}

type tableRow struct {
	number int // as the spreadsheet numbers it
	cells  []string
}

// readTable reads CSV in UTF-8, with or without byte order mark, separated by comma, semicolon or tab, with quotes
// where needed. Rows without any text are passed over, as spreadsheets leave them at the end.
func readTable(body []byte) (*table, error) {
	body = bytes.TrimPrefix(body, []byte("\xef\xbb\xbf"))
	if !utf8.Valid(body) {
		return nil, badTable(0, "encoding", "The table is not in UTF-8; export it as CSV UTF-8.")
	}
	separator := separatorOf(body)
	reader := csv.NewReader(bytes.NewReader(body))
	reader.Comma = separator
	reader.FieldsPerRecord = -1
	t := &table{decimalComma: separator == ';'}
	for number, line := 0, 0; ; { // of the row as a spreadsheet counts, and the last line read
		cells, err := reader.Read()
		if errors.Is(err, io.EOF) {
			return t, t.check()
		}
		if wrong, ok := errors.AsType[*csv.ParseError](err); ok {
			return nil, badTable(number+wrong.StartLine-line, "quotes", "The quotes around a field do not match.")
		}
		if err != nil {
			return nil, fmt.Errorf("read table: %w", err)
		}
		first, _ := reader.FieldPos(0)
		number += first - line // the reader passes over empty lines, spreadsheets count them
		line = first + strings.Count(strings.Join(cells, ""), "\n")
		if err := t.add(number, cells); err != nil {
			return nil, err
		}
	}
}

func (t *table) add(number int, cells []string) error {
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	switch {
	case t.header == nil:
		t.header = cells
	case strings.Join(cells, "") == "":
	case len(cells) > len(t.header):
		return badTable(number, "width", fmt.Sprintf("The row has %d fields, the header %d.", len(cells), len(t.header)))
	case len(t.rows) == mostRows:
		return badTable(number, "too_many", fmt.Sprintf("A table may have at most %d rows below its header.", mostRows))
	default:
		t.rows = append(t.rows, tableRow{number: number, cells: cells})
	}
	return nil
}

func (t *table) check() error {
	if len(t.rows) == 0 {
		return badTable(0, "empty", "The table has no rows below its header.")
	}
	return nil
}

// cell is the text of a column in a row; rows may end early.
func (r tableRow) cell(column int) string {
	if column >= len(r.cells) {
		return ""
	}
	return r.cells[column]
}

// separatorOf looks at the first line: the separator that stands there most often outside quotes.
func separatorOf(body []byte) rune {
	counts := map[rune]int{}
	quoted := false
	for _, c := range strings.TrimLeft(string(body), "\r\n") {
		if c == '\n' && !quoted {
			break
		}
		if c == '"' {
			quoted = !quoted
		}
		if !quoted && (c == ',' || c == ';' || c == '\t') {
			counts[c]++
		}
	}
	best := ','
	for _, c := range []rune{';', '\t'} {
		if counts[c] > counts[best] {
			best = c
		}
	}
	return best
}

// badTable is a fault of the table as a whole, or of how a row is written.
func badTable(row int, code, detail string) *Problem {
	p := problem(http.StatusUnprocessableEntity, "invalid", detail)
	if row > 0 {
		p.Errors = []Violation{{Row: row, Code: code, Detail: detail}}
	}
	return p
}

// formulaStarts are the characters with which a spreadsheet begins to compute (OWASP, CSV Injection).
const formulaStarts = "=+-@\t\r\n＝＋－＠"

// harmless writes text so that no spreadsheet takes it for a formula: behind an apostrophe. meant undoes exactly
// this, and leaves other apostrophes alone.
func harmless(text string) string {
	if startsFormula(text) || strings.HasPrefix(text, "'") && startsFormula(strings.TrimLeft(text, "'")) {
		return "'" + text
	}
	return text
}

func meant(text string) string {
	if strings.HasPrefix(text, "'") && startsFormula(strings.TrimLeft(text, "'")) {
		return text[1:]
	}
	return text
}

func startsFormula(text string) bool {
	first, size := utf8.DecodeRuneInString(text)
	return size > 0 && strings.ContainsRune(formulaStarts, first)
}
