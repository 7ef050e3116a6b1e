package api

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"net/url"
	"strings"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
)

// PageInput asks for a part of a list.
type PageInput struct {
	Limit  int    `query:"limit" default:"50" minimum:"1" maximum:"200" doc:"Most records on the page."`
	After  string `query:"after" maxLength:"100" doc:"From the Link of rel next; as it stands there."`
	Before string `query:"before" maxLength:"100" doc:"From the Link of rel prev; as it stands there."`
}

// items is the body of a list.
type items[T any] struct {
	Items []T `json:"items"`
}

// listed answers with a page of a list.
type listed[T any] struct {
	Link string `header:"Link" doc:"RFC 8288 links: first, and next and prev where there are such pages."`
	Body items[T]
}

// page reads the place in the list. A cursor belongs to one list with its filters: elsewhere it is refused.
func (in PageInput) page(ctx context.Context) (db.Page, error) {
	page := db.Page{Limit: in.Limit}
	if in.After != "" && in.Before != "" {
		return page, invalid(atParameter("before", "conflict", "goes without after"))
	}
	for _, c := range []struct {
		name, text string
		key        **db.Key
	}{{"after", in.After, &page.After}, {"before", in.Before, &page.Before}} {
		if c.text == "" {
			continue
		}
		key, ok := parseCursor(c.text, listOf(ctx))
		if !ok {
			return page, invalid(atParameter(c.name, "format", "is not a cursor of this list with these filters; take it from a Link"))
		}
		*c.key = key
	}
	return page, nil
}

// answerList sends a page with links to its neighbours.
func answerList[R, V any](ctx context.Context, list db.List[R], view func(R) V) *listed[V] {
	answer := &listed[V]{Link: links(ctx, list.Next, list.Prev)}
	answer.Body.Items = make([]V, len(list.Items))
	for i, r := range list.Items {
		answer.Body.Items[i] = view(r)
	}
	return answer
}

// links writes the Link header: the same list, elsewhere.
func links(ctx context.Context, next, prev *db.Key) string {
	target := splitTarget(ctx)
	all := []string{link(target, "", nil, "first")}
	if next != nil {
		all = append(all, link(target, "after", next, "next"))
	}
	if prev != nil {
		all = append(all, link(target, "before", prev, "prev"))
	}
	return strings.Join(all, ", ")
}

func link(target *url.URL, parameter string, key *db.Key, rel string) string {
	query := filters(target)
	if limit := target.Query().Get("limit"); limit != "" {
		query.Set("limit", limit)
	}
	if key != nil {
		query.Set(parameter, writeCursor(*key, listName(target)))
	}
	there := url.URL{Path: target.Path, RawQuery: query.Encode()}
	return "<" + there.String() + `>; rel="` + rel + `"`
}

func splitTarget(ctx context.Context) *url.URL {
	target, err := url.ParseRequestURI(exchangeOf(ctx).target)
	if err != nil { // only without a request, as in the example of a document
		return &url.URL{Path: "/"}
	}
	return target
}

// filters are the query without the place in the list.
func filters(target *url.URL) url.Values {
	query := target.Query()
	for _, name := range []string{"after", "before", "limit"} {
		query.Del(name)
	}
	return query
}

// listName tells lists apart: path and filters, in one order.
func listName(target *url.URL) string { return target.Path + "?" + filters(target).Encode() }

func listOf(ctx context.Context) string { return listName(splitTarget(ctx)) }

// A cursor is a row's key with a checksum over it and its list. The checksum finds mistakes; it keeps no secret, as
// the caller's scope is applied whatever the cursor says.
const cursorBytes = 8 + 16 + 4

func writeCursor(key db.Key, list string) string {
	raw := binary.BigEndian.AppendUint64(nil, uint64(key.At.UnixMicro())) //nolint:gosec // both ways the same bits
	raw = append(raw, key.ID[:]...)
	return base64.RawURLEncoding.EncodeToString(append(raw, cursorSum(raw, list)...))
}

func parseCursor(text, list string) (*db.Key, bool) {
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(raw) != cursorBytes {
		return nil, false
	}
	if string(cursorSum(raw[:24], list)) != string(raw[24:]) {
		return nil, false
	}
	at := time.UnixMicro(int64(binary.BigEndian.Uint64(raw))).UTC() //nolint:gosec // both ways the same bits
	return &db.Key{At: at, ID: uuid.UUID(raw[8:24])}, true
}

func cursorSum(raw []byte, list string) []byte {
	sum := sha256.Sum256(append([]byte(list), raw...))
	return sum[:4]
}
