package api

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
)

// etag is the strong validator of a record: its version, which every edit raises.
func etag(version int64) string {
	return `"` + strconv.FormatInt(version, 10) + `"`
}

// etagAt is the validator of a record that is answered with news of its own, which come at the time given: a full
// stop and the time follow the version.
func etagAt(version int64, news *time.Time) string {
	if news == nil {
		return etag(version)
	}
	return `"` + strconv.FormatInt(version, 10) + "." + strconv.FormatInt(news.UnixMicro(), 36) + `"`
}

// Match is required of every change, so that nobody overwrites what they have not seen.
type Match struct {
	IfMatch string `header:"If-Match" maxLength:"500" doc:"The ETag of the version you have seen, or * for whatever is there. Required."`
	tags    []string
}

// Resolve refuses a change without If-Match.
func (m *Match) Resolve(huma.Context) []error {
	if m.IfMatch == "" {
		return []error{problem(http.StatusPreconditionRequired, "precondition_required",
			"Send If-Match with the ETag of the version that you have seen, so that no other edit is overwritten.")}
	}
	return m.parse()
}

func (m *Match) parse() []error {
	tags, ok := entityTags(m.IfMatch)
	if !ok {
		p := problem(http.StatusBadRequest, "malformed", "If-Match must be * or ETags in double quotes.")
		p.Errors = []Violation{atHeader("If-Match", "format", "must be * or ETags in double quotes")}
		return []error{p}
	}
	m.tags = tags
	return nil
}

// check compares with the version that is there. Weak tags never match (RFC 9110, 13.1.1). What follows the version
// in a tag is news that no edit overwrites.
func (m *Match) check(version int64) error {
	for _, tag := range m.tags {
		seen, _, _ := strings.Cut(strings.Trim(tag, `"`), ".")
		if tag == "*" || `"`+seen+`"` == etag(version) && !strings.HasPrefix(tag, "W/") {
			return nil
		}
	}
	return stale()
}

func stale() *Problem {
	return problem(http.StatusPreconditionFailed, "stale", "The record was changed since you read it. Read it again and repeat your edit.")
}

// MaybeMatch is If-Match for the steps of a pour's life, where it is welcome but not required.
type MaybeMatch struct {
	Match
}

// Resolve takes a missing If-Match as any version.
func (m *MaybeMatch) Resolve(huma.Context) []error {
	if m.IfMatch == "" {
		m.tags = []string{"*"}
		return nil
	}
	return m.parse()
}

// NoneMatch saves sending again what the client has.
type NoneMatch struct {
	IfNoneMatch string `header:"If-None-Match" maxLength:"500" doc:"ETags you have; when one is still right the answer is 304 without a body."`
}

// unchanged tells whether the client has this version. The comparison is weak (RFC 9110, 13.1.2), and a malformed
// header is as good as none.
func (m NoneMatch) unchanged(tag string) bool {
	tags, _ := entityTags(m.IfNoneMatch)
	for _, t := range tags {
		if t == "*" || strings.TrimPrefix(t, "W/") == tag {
			return true
		}
	}
	return false
}

// entityTags splits a list of entity tags (RFC 9110, 8.8.3), weak marks and quotes kept.
func entityTags(list string) (tags []string, ok bool) {
	list = strings.TrimSpace(list)
	if list == "*" {
		return []string{"*"}, true
	}
	for list != "" {
		weak := ""
		if strings.HasPrefix(list, "W/") {
			weak, list = "W/", list[2:]
		}
		if !strings.HasPrefix(list, `"`) {
			return nil, false
		}
		end := strings.IndexByte(list[1:], '"')
		if end < 0 {
			return nil, false
		}
		tags = append(tags, weak+list[:end+2])
		list = strings.TrimLeft(list[end+2:], " \t")
		if list == "" {
			break
		}
		if !strings.HasPrefix(list, ",") {
			return nil, false
		}
		list = strings.TrimLeft(list[1:], " \t")
	}
	return tags, len(tags) > 0
}

// one answers with a single record.
type one[T any] struct {
	Status       int
	ETag         string `header:"ETag"`
	CacheControl string `header:"Cache-Control"`
	Body         *T
}

// answerOne sends a record, or 304 when the client has it.
func answerOne[T any](body T, tag string, known NoneMatch) *one[T] {
	answer := &one[T]{Status: http.StatusOK, ETag: tag, CacheControl: "private, no-cache", Body: &body}
	if known.unchanged(tag) {
		answer.Status, answer.Body = http.StatusNotModified, nil
	}
	return answer
}
