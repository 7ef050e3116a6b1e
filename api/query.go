package api

import (
	"maps"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"
)

// takeQuery refuses a query of which a part would be passed over or misread: filters that silently do nothing show
// more than was asked for.
func (a *API) takeQuery(ctx huma.Context, next func(huma.Context)) {
	target := ctx.URL()
	query, err := url.ParseQuery(target.RawQuery)
	if err != nil {
		a.refuse(ctx, invalid(Violation{Code: "malformed", Detail: "the query of the address is not encoded properly"}))
		return
	}
	var violations []Violation
	for _, name := range slices.Sorted(maps.Keys(query)) {
		value := query.Get(name)
		switch {
		case len(query[name]) > 1:
			violations = append(violations, atParameter(name, "repeated", "stands more than once; separate several values by commas"))
		case !utf8.ValidString(value) || strings.ContainsFunc(value, isControl):
			violations = append(violations, atParameter(name, "control_character", "must be text in UTF-8 without control characters"))
		}
	}
	if len(violations) > 0 {
		a.refuse(ctx, invalid(violations...))
		return
	}
	next(ctx)
}
