package api

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"maps"
	"mime"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humaecho"
	"github.com/go-json-experiment/json/jsontext"
)

// Limits of a request body.
const (
	bodyBytes     = 64 << 10 // of a single record
	bulkBytes     = 1 << 20  // of a table of pours, or of a case with its weather
	bodyPatience  = 10 * time.Second
	jsonDepth     = 32
	fieldNameSize = 64
)

// Media types of bodies.
const (
	mediaJSON  = "application/json"
	mediaPatch = "application/merge-patch+json"
	mediaCSV   = "text/csv"
)

// takeBody reads the body of an operation that has one, whole and within its limit, and refuses what is not of its
// media type or not strict JSON. What the fields mean is for the schema and the handler.
func (a *API) takeBody(ctx huma.Context, next func(huma.Context)) {
	op := ctx.Operation()
	if op.RequestBody == nil || !op.RequestBody.Required && humaecho.Unwrap(ctx).Request().ContentLength == 0 {
		next(ctx) // there is none, and need not be
		return
	}
	media, p := bodyMedia(ctx, op)
	if p != nil {
		a.refuse(ctx, p)
		return
	}
	_ = ctx.SetReadDeadline(time.Now().Add(bodyPatience)) // a test's recorder has none
	request := humaecho.Unwrap(ctx).Request()
	writer := humaecho.Unwrap(ctx).Response().Writer // the server's own, which hangs up instead of reading a long body to its end
	body, err := io.ReadAll(http.MaxBytesReader(writer, request.Body, op.MaxBodyBytes-1))
	if err != nil {
		a.refuse(ctx, unreadable(err))
		return
	}
	if media != mediaCSV && len(body) > 0 {
		if p := strictJSON(body); p != nil {
			a.refuse(ctx, p)
			return
		}
	}
	request.Body = io.NopCloser(bytes.NewReader(body))
	request.Header.Set("Content-Type", media) // as the library knows it, in lower case
	exchangeOf(ctx.Context()).body = body
	next(ctx)
}

// bodyMedia finds which of the operation's media types was sent.
func bodyMedia(ctx huma.Context, op *huma.Operation) (string, *Problem) {
	refused := problem(http.StatusUnsupportedMediaType, "unsupported_media_type",
		"Send the body as "+strings.Join(mediaTypes(op), " or ")+" in UTF-8, and say so in Content-Type.")
	if coding := ctx.Header("Content-Encoding"); coding != "" && !strings.EqualFold(coding, "identity") {
		refused.Detail = "Send the body without a content coding."
		return "", refused
	}
	media, params, err := mime.ParseMediaType(ctx.Header("Content-Type"))
	if err != nil || op.RequestBody.Content[media] == nil {
		return "", refused
	}
	if charset := params["charset"]; charset != "" && !strings.EqualFold(charset, "utf-8") {
		return "", refused
	}
	return media, nil
}

// mediaTypes lists what an operation takes, in a fixed order.
func mediaTypes(op *huma.Operation) []string {
	return slices.Sorted(maps.Keys(op.RequestBody.Content))
}

func unreadable(err error) *Problem {
	var tooLarge *http.MaxBytesError
	var network net.Error
	switch {
	case errors.As(err, &tooLarge):
		return problem(http.StatusRequestEntityTooLarge, "too_large", fmt.Sprintf("The body may have at most %d bytes.", tooLarge.Limit))
	case errors.As(err, &network) && network.Timeout():
		return problem(http.StatusRequestTimeout, "timeout", "The body did not arrive in time.")
	}
	return withCause(problem(http.StatusBadRequest, "malformed", "The body ended early or was not framed properly."), err)
}

// strictJSON refuses what lenient parsers let through, each a way for two readers to see two things: a second value,
// a repeated or oddly named field, broken text, control characters, numbers out of range, and deep nesting.
func strictJSON(body []byte) *Problem {
	decoder := jsontext.NewDecoder(bytes.NewBuffer(body))
	for values := 0; ; {
		token, err := decoder.ReadToken()
		if errors.Is(err, io.EOF) && values > 0 {
			return nil
		}
		if err != nil {
			return notJSON(body, err)
		}
		if values > 0 {
			return malformed("trailing_data", "Something follows the JSON value.", "")
		}
		if p := strictToken(decoder, token); p != nil {
			return p
		}
		if decoder.StackDepth() == 0 {
			values++
		}
	}
}

func strictToken(decoder *jsontext.Decoder, token jsontext.Token) *Problem {
	pointer := string(decoder.StackPointer())
	switch token.Kind() {
	case '{', '[':
		if decoder.StackDepth() > jsonDepth {
			return malformed("too_deep", fmt.Sprintf("JSON may be nested at most %d deep.", jsonDepth), "")
		}
	case '"':
		text := token.String()
		parent, length := decoder.StackIndex(decoder.StackDepth())
		if parent == '{' && length%2 == 1 && !plainName(text) {
			return invalid(atPointer(shortened(pointer), "unknown", "is not a known field"))
		}
		if strings.ContainsFunc(text, isControl) {
			return invalid(atPointer(pointer, "control_character", "must not contain control characters"))
		}
	case '0':
		if _, err := strconv.ParseFloat(token.String(), 64); err != nil {
			return invalid(atPointer(pointer, "out_of_range", "is too large a number"))
		}
	}
	return nil
}

// notJSON says where reading stopped, without repeating what stood there.
func notJSON(body []byte, err error) *Problem {
	if bytes.HasPrefix(body, []byte("\xef\xbb\xbf")) {
		return malformed("malformed", "The body begins with a byte order mark; send plain UTF-8.", "")
	}
	var syntax *jsontext.SyntacticError
	if !errors.As(err, &syntax) { // the text ended early
		return malformed("malformed", "The body is not complete JSON.", "")
	}
	pointer := shortened(string(syntax.JSONPointer))
	if errors.Is(err, jsontext.ErrDuplicateName) {
		return malformed("repeated_field", "A field may stand only once in an object.", pointer)
	}
	return malformed("malformed", fmt.Sprintf("The body is not JSON in UTF-8: reading stopped at byte %d.", syntax.ByteOffset), pointer)
}

func malformed(code, detail, pointer string) *Problem {
	p := problem(http.StatusBadRequest, code, detail)
	if pointer != "" {
		p.Errors = []Violation{atPointer(pointer, code, detail)}
	}
	return p
}

// plainName tells whether a field name could be one of ours; the path that huma gives for others is ambiguous.
func plainName(name string) bool {
	return name != "" && len(name) <= fieldNameSize && !strings.ContainsFunc(name, func(r rune) bool {
		return r != '_' && (r < '0' || r > '9') && (r < 'a' || r > 'z') && (r < 'A' || r > 'Z')
	})
}

// shortened keeps a pointer fit to be shown.
func shortened(pointer string) string {
	const most = 200
	if len(pointer) <= most {
		return pointer
	}
	return string(jsontext.Pointer(pointer).Parent())
}

// isControl finds characters that no text of ours needs; a tab and a line end are fine. The database cannot hold NUL.
func isControl(r rune) bool {
	return r < ' ' && r != '\t' && r != '\n' && r != '\r' || r >= 0x7f && r < 0xa0
}
