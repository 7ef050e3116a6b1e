package api

import (
	"context"
	"encoding/json"
	"net/http"
	"reflect"
	"slices"
	"strings"

	"frostgate/api/access"
	"frostgate/rules"

	"github.com/danielgtaylor/huma/v2"
)

// A route describes one operation beyond what its types say.
type route struct {
	method, path string
	id           string // of the operation, such as list-pours
	tag          string
	summary      string
	about        string // more, in Markdown
	roles        []access.Role
	firmWide     bool  // not for tokens whose scope is narrowed to crews or plants
	success      int   // when not the usual one
	statuses     []int // problems beyond the usual ones
	bodyLimit    int64 // bytes; 0 is the limit of a single record
	body         *huma.RequestBody
	skipBody     bool                      // the handler validates the body
	responses    map[string]*huma.Response // of content that the types do not tell
}

// Who may call an operation.
var (
	anyRole     = []access.Role{access.Dispatcher, access.Viewer, access.Field}
	inOffice    = []access.Role{access.Dispatcher, access.Viewer}
	onSite      = []access.Role{access.Dispatcher, access.Field}
	dispatchers = []access.Role{access.Dispatcher}
)

// serve registers an operation. One without roles is refused to everybody.
func serve[I, O any](a *API, r route, handler func(context.Context, *I) (*O, error)) {
	if r.bodyLimit == 0 {
		r.bodyLimit = bodyBytes
	}
	huma.Register(a.huma, huma.Operation{
		Method: r.method, Path: r.path, OperationID: r.id, Tags: []string{r.tag}, Summary: r.summary, Description: r.about,
		DefaultStatus: r.success, Errors: r.problems(), RequestBody: r.body, Responses: r.responses, SkipValidateBody: r.skipBody,
		MaxBodyBytes: r.bodyLimit + 1, BodyReadTimeout: bodyPatience, RejectUnknownQueryParameters: true,
		Security:   []map[string][]string{{"token": {}}},
		Metadata:   map[string]any{"route": r},
		Extensions: map[string]any{"x-roles": r.roles, "x-firm-wide": r.firmWide},
	}, handler)
	a.complete(a.operation(r.method, r.path))
	a.tag(r.method, r.path, reflect.TypeFor[O]())
}

// complete adds what the types do not tell, and lets operations share the descriptions of problems.
func (a *API) complete(op *huma.Operation) {
	if op.RequestBody != nil {
		for _, media := range op.RequestBody.Content {
			boundTimes(a.huma.OpenAPI().Components.Schemas, media.Schema)
		}
	}
	if slices.ContainsFunc(op.Parameters, func(p *huma.Param) bool { return p.Name == "If-None-Match" }) {
		op.Responses["304"] = &huma.Response{Description: "You have this version already."}
	}
	shared := a.huma.OpenAPI().Components.Responses
	for status, response := range op.Responses {
		if status < "400" {
			continue
		}
		name := "Problem" + status
		if shared[name] == nil {
			response.Headers = problemHeaders[status]
			shared[name] = response
		}
		op.Responses[status] = &huma.Response{Ref: "#/components/responses/" + name}
	}
}

var problemHeaders = map[string]map[string]*huma.Param{
	"401": {"WWW-Authenticate": textHeader("Bearer.")},
	"409": {"Retry-After": textHeader("Seconds, when the same request is still running.")},
	"429": {"Retry-After": textHeader("Seconds.")},
	"503": {"Retry-After": textHeader("Seconds.")},
}

func textHeader(description string) *huma.Param {
	return &huma.Param{Description: description, Schema: &huma.Schema{Type: huma.TypeString}}
}

// problems lists the statuses that the operation can refuse with.
func (r route) problems() []int {
	statuses := append([]int{
		http.StatusUnauthorized, http.StatusForbidden, http.StatusTooManyRequests,
		http.StatusInternalServerError, http.StatusServiceUnavailable,
	}, r.statuses...)
	if strings.Contains(r.path, "{") {
		statuses = append(statuses, http.StatusNotFound)
	}
	if r.method == http.MethodGet {
		return statuses
	}
	statuses = append(statuses, http.StatusConflict)
	if r.method != http.MethodDelete {
		statuses = append(statuses, http.StatusBadRequest, http.StatusRequestTimeout, http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType)
	}
	if r.method != http.MethodPost {
		statuses = append(statuses, http.StatusBadRequest, http.StatusPreconditionFailed, http.StatusPreconditionRequired)
	}
	return statuses
}

// routeOf finds the route of the operation being answered.
func routeOf(ctx huma.Context) route {
	r, _ := ctx.Operation().Metadata["route"].(route)
	return r
}

// operation finds a registered operation in the document.
func (a *API) operation(method, path string) *huma.Operation {
	item := a.huma.OpenAPI().Paths[path]
	switch method {
	case http.MethodGet:
		return item.Get
	case http.MethodPut:
		return item.Put
	case http.MethodPost:
		return item.Post
	case http.MethodPatch:
		return item.Patch
	}
	return item.Delete
}

const introduction = `The pours of a winter, the weather over them, and what it means for the concrete.

**Units** are SI, named in each field (thickness_mm, air_temp_c); tables in CSV may be in US units. **Times** are
RFC 3339 with an offset, and come back in UTC; a site's zone is an IANA name.

**Access**: a bearer token with a role (dispatcher, viewer, field) and perhaps a scope of crews and plants. What lies
outside the scope is answered 404. RateLimit headers say how much a token may still ask.

**Edits** need If-Match with the ETag you have read (428 without, 412 when it has changed). **Creates** take an
Idempotency-Key: the same key and body within a day is answered as before and done once.

**Messages** to endpoints carry events of version 1, whose JSON Schema is at /event-schema.json: members are only added.
As a CloudEvent (1.0) an event is the data, and dataschema names that schema. What first is true of reads as news: its
receiver has not heard before that the alert is raised, whatever the type.

**Lists** are read page by page: follow the Link of rel="next". **Problems** are RFC 9457 documents.

Verdicts support a decision; they do not take it. Local code, the project's engineer and licensed practice govern.`

// describe is the frame of the OpenAPI document.
func describe(version, publicURL string) huma.Config {
	if publicURL == "" {
		publicURL = "/"
	}
	config := huma.DefaultConfig("frostgate", version)
	config.CreateHooks = nil
	config.DocsPath = ""
	config.OpenAPIPath = ""
	config.SchemasPath = ""
	config.Info.Description = introduction
	config.Info.License = &huma.License{Name: "MIT", Identifier: "MIT"}
	config.Servers = []*huma.Server{{URL: publicURL}}
	config.Tags = tags()
	config.Components = &huma.Components{
		Schemas:   huma.NewMapRegistry("#/components/schemas/", schemaName),
		Responses: map[string]*huma.Response{},
		SecuritySchemes: map[string]*huma.SecurityScheme{
			"token": {Type: "http", Scheme: "bearer", Description: "A token made with frostgate token or POST /v1/tokens."},
		},
	}
	config.Formats = map[string]huma.Format{mediaJSON: huma.DefaultJSONFormat, "json": huma.DefaultJSONFormat}
	config.Transformers = []huma.Transformer{stamp}
	return config
}

func tags() []*huma.Tag {
	return []*huma.Tag{
		{Name: "Pours", Description: "Placements: planned, placed, released or cancelled."},
		{Name: "Assessments", Description: "What the engine says of a pour, with reasons, and when else it could go."},
		{Name: "Observations", Description: "What was measured or seen on site."},
		{Name: "Alerts", Description: "Raised conditions, where notices go, and whether they arrived."},
		{Name: "Places and people", Description: "Sites, plants, crews and mixes."},
		{Name: "Weather", Description: "Forecasts as they were issued."},
		{Name: "Firm", Description: "The firm's own settings, limits, tokens and audit."},
	}
}

// schemaName names schemas by their Go type. Parts of a stateless case get a prefix where a record has the noun.
func schemaName(t reflect.Type, hint string) string {
	name := huma.DefaultSchemaNamer(t, hint)
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.PkgPath() == reflect.TypeFor[rules.Case]().PkgPath() && slices.Contains(recordNouns, name) {
		return "Case" + name
	}
	return name
}

var recordNouns = []string{"Site", "Pour", "Crew", "Mix", "Plant", "Firm", "Observation"}

// stamp tells in each problem which request it answers, sets its headers, and hands its cause to the log.
func stamp(ctx huma.Context, _ string, body any) (any, error) {
	if p, ok := body.(*Problem); ok {
		x := exchangeOf(ctx.Context())
		x.cause = p.cause
		url := ctx.URL()
		p.RequestID, p.Instance = x.id, url.EscapedPath()
		p.tell(ctx.SetHeader)
	}
	return body, nil
}

// refuse answers with a problem from where there is no handler yet.
func (a *API) refuse(ctx huma.Context, p *Problem) {
	_ = huma.WriteErr(a.huma, ctx, p.Status, p.Detail, p)
}

// tellNulls completes the description of fields that hold an object or null: the library describes the object only.
func tellNulls(registry huma.Registry) {
	for name, schema := range registry.Map() {
		for property, nullable := range nullableObjects(registry.TypeFromRef("#/components/schemas/" + name)) {
			if s := schema.Properties[property]; nullable && s != nil && s.Ref != "" {
				schema.Properties[property] = &huma.Schema{
					Description: s.Description,
					OneOf:       []*huma.Schema{{Ref: s.Ref}, {Type: "null", Enum: []any{nil}}}, // the validator only knows the second
				}
			}
		}
	}
}

// boundTimes keeps the times in a body within the years that a pour may have: JSON has no form for all that a database
// would store, and one record that cannot be written would take every list along that it stands in.
func boundTimes(registry huma.Registry, s *huma.Schema) {
	if s != nil && s.Ref != "" {
		s = registry.SchemaFromRef(s.Ref)
	}
	if s == nil || s.Format == "date-time" && s.Pattern != "" {
		return
	}
	if s.Format == "date-time" {
		s.Pattern, s.PatternDescription = "^(19[5-9]|20)", "a date and time with offset from 1950 to 2099, such as 2026-01-15T07:00:00-06:00"
		s.PrecomputeMessages()
	}
	boundTimes(registry, s.Items)
	for _, property := range s.Properties {
		boundTimes(registry, property)
	}
}

// nullableObjects finds the fields of a struct that are pointers to structs and are sent as null when unset.
func nullableObjects(t reflect.Type) map[string]bool {
	fields := map[string]bool{}
	if t == nil || t.Kind() != reflect.Struct {
		return fields
	}
	for _, f := range reflect.VisibleFields(t) {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Type.Kind() == reflect.Pointer && !strings.Contains(options, "omit") {
			fields[name] = true
		}
	}
	return fields
}

// OpenAPI is the description of the interface (OpenAPI 3.1), as served at /openapi.json.
func (a *API) OpenAPI() ([]byte, error) {
	return json.MarshalIndent(a.huma.OpenAPI(), "", "  ")
}
