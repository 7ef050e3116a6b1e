package board

import (
	"bytes"
	"slices"
	"strings"
	"unicode/utf8"
)

// Controls of direction (Unicode UAX #9): embeddings and overrides last until a PDF, isolates until a PDI.
const (
	lre, rle, pdf, lro, rlo = '\u202a', '\u202b', '\u202c', '\u202d', '\u202e'
	lri, rli, fsi, pdi      = '\u2066', '\u2067', '\u2068', '\u2069'
)

// selfContained lets no text of a page turn the text beside it round: it closes what a name opened, and takes out what
// closes more than the name opened. An element that isolates is no help there, since what it closes at its end may be
// something that the name opened. Fields of forms keep what they hold to the letter.
func selfContained(page []byte) []byte {
	if !bytes.ContainsFunc(page, isControl) {
		return page
	}
	var out bytes.Buffer
	for len(page) > 0 {
		end := bytes.IndexByte(page, '<')
		if end < 0 {
			end = len(page)
		}
		out.WriteString(closed(string(page[:end])))
		page = page[end:]
		tag := bytes.IndexByte(page, '>') + 1
		if bytes.HasPrefix(page, []byte("<textarea")) {
			tag = bytes.Index(page, []byte("</textarea>"))
		}
		if tag <= 0 {
			tag = len(page)
		}
		out.Write(page[:tag])
		page = page[tag:]
	}
	return out.Bytes()
}

func isControl(r rune) bool { return r >= lre && r <= rlo || r >= lri && r <= pdi }

// closed is a text with each control of direction in a pair.
func closed(text string) string {
	if !strings.ContainsFunc(text, isControl) {
		return text
	}
	var out strings.Builder
	var open []rune // what will close them
	for _, r := range text {
		switch r {
		case lre, rle, lro, rlo:
			open = append(open, pdf)
		case lri, rli, fsi:
			open = append(open, pdi)
		case pdf, pdi:
			if len(open) == 0 || open[len(open)-1] != r {
				continue
			}
			open = open[:len(open)-1]
		}
		if r != utf8.RuneError {
			out.WriteRune(r)
		}
	}
	for _, r := range slices.Backward(open) {
		out.WriteRune(r)
	}
	return out.String()
}
