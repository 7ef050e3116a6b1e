package board

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"
)

// mostTable bounds an uploaded table, as the API does.
const mostTable = 1 << 20

// A tablePage takes a table of pours: first it shows what each row would do, then it writes.
type tablePage struct {
	Text    string // as sent, to be confirmed
	Checked bool
	Wrong   string
	Once    string
	Created, Updated, Unchanged,
	Refused int
	Errors []rowError
}

type rowError struct {
	Row                  int
	Column, Code, Detail string
}

func (b *Board) tablePage(v *visit) error {
	if !v.dispatcher() {
		return notAllowed
	}
	return b.showTable(v, http.StatusOK, tablePage{})
}

func (b *Board) showTable(v *visit, status int, page tablePage) error {
	page.Once = once()
	return b.draw(v.Context, v, status, "table", frame{Title: "Pours from a table", Nav: "week", Page: page})
}

// sendTable checks a table without writing, and writes it when the check was confirmed.
func (b *Board) sendTable(v *visit) error {
	if !v.dispatcher() {
		return notAllowed
	}
	text, err := sentTable(v)
	if err != nil {
		return err
	}
	page := tablePage{Text: text}
	if strings.TrimSpace(text) == "" {
		page.Wrong = "Choose a file, or paste the table."
		return b.showTable(v, http.StatusUnprocessableEntity, page)
	}
	write := v.FormValue("write") != ""
	path := "/v1/pours/bulk?dry_run=" + strconv.FormatBool(!write)
	mark := ""
	if write {
		mark = v.FormValue("once")
	}
	answer, err := b.send(v, change{method: http.MethodPost, path: path, table: text, once: mark})
	if refused, ok := errors.AsType[*trouble](err); ok {
		page.Wrong = refused.Text
		return b.showTable(v, refused.Status, page)
	}
	if err != nil {
		return err
	}
	if write {
		return v.Redirect(http.StatusSeeOther, "/?done=table")
	}
	if err := json.Unmarshal(answer, &page); err != nil {
		return err
	}
	page.Checked = true
	return b.showTable(v, http.StatusOK, page)
}

// sentTable is the file, or else the pasted text.
func sentTable(v *visit) (string, error) {
	tooLarge := &trouble{Status: http.StatusRequestEntityTooLarge, Text: "The table is larger than 1 MB.", Advice: "Send it in parts."}
	request := v.Request()
	request.Body = http.MaxBytesReader(v.Response(), request.Body, 2*mostTable)
	if err := request.ParseMultipartForm(2 * mostTable); err != nil && !errors.Is(err, http.ErrNotMultipart) {
		return "", tooLarge
	}
	text := v.FormValue("text")
	if file, _, err := request.FormFile("file"); err == nil {
		content, err := io.ReadAll(file)
		if err := errors.Join(err, file.Close()); err != nil {
			return "", err
		}
		if len(content) > 0 {
			text = string(content)
		}
	}
	if len(text) > mostTable {
		return "", tooLarge
	}
	return text, nil
}
