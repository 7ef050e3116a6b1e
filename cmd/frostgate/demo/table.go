package demo

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// writeTable prints rows under their heads, each column as wide as its widest cell; the last may be of any length.
func writeTable(w io.Writer, heads []string, rows [][]string) {
	widths := make([]int, len(heads))
	for _, row := range append([][]string{heads}, rows...) {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	line := func(cells []string) {
		var b strings.Builder
		for i, cell := range cells {
			b.WriteString(cell)
			if i < len(cells)-1 {
				b.WriteString(strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell)+2))
			}
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
	line(heads)
	rule := make([]string, len(widths))
	for i, width := range widths {
		rule[i] = strings.Repeat("-", min(width, 40))
	}
	line(rule)
	for _, row := range rows {
		line(row)
	}
}

// shorten cuts text to at most width characters, at a word where it can.
func shorten(text string, width int) string {
	if utf8.RuneCountInString(text) <= width {
		return text
	}
	cut := string([]rune(text)[:width-1])
	if space := strings.LastIndexByte(cut, ' '); space > width/2 {
		cut = cut[:space]
	}
	return cut + "…"
}

// wrapped breaks text between words into lines of at most width characters.
func wrapped(text string, width int) []string {
	var lines []string
	for word := range strings.FieldsSeq(text) {
		last := len(lines) - 1
		if last >= 0 && utf8.RuneCountInString(lines[last])+1+utf8.RuneCountInString(word) <= width {
			lines[last] += " " + word
			continue
		}
		lines = append(lines, word)
	}
	return lines
}
