package board

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// A section of the reference is one tag of the OpenAPI document.
type section struct {
	Name, About, ID string
	Operations      []operation
}

type operation struct {
	ID, Method, Path, Summary, About string
	Parameters                       []field
	Body                             []field
	Answer                           []field
	Statuses                         []fact
}

// A field is a parameter, or a property of a body.
type field struct {
	Name, Where, Type, About string
	Required                 bool
}

// document is as much of OpenAPI 3.1 as the page shows.
type document struct {
	Tags []struct{ Name, Description string }

	Paths      map[string]map[string]json.RawMessage
	Components struct{ Schemas map[string]schema }
}

type schema struct {
	Ref         string `json:"$ref"`
	Type        any
	Format      string
	Description string
	Enum        []any
	Items       *schema
	Properties  map[string]*schema
	Required    []string
	Minimum     *float64
	Maximum     *float64
	OneOf       []schema
	AnyOf       []schema
}

type rawOperation struct {
	OperationID, Summary, Description string
	Tags                              []string
	Parameters                        []struct {
		Name, In, Description string
		Required              bool
		Schema                *schema
	}
	RequestBody *struct {
		Content map[string]struct{ Schema *schema }
	}
	Responses map[string]struct {
		Description string
		Content     map[string]struct{ Schema *schema }
	}
}

var methods = []string{"get", "post", "put", "patch", "delete"}

// readReference turns the API's description into what the page shows, once.
func readReference(spec []byte) ([]section, error) {
	if len(spec) == 0 {
		return nil, nil
	}
	var d document
	if err := json.Unmarshal(spec, &d); err != nil {
		return nil, fmt.Errorf("read OpenAPI document: %w", err)
	}
	var sections []section
	for _, t := range d.Tags {
		sections = append(sections, section{Name: t.Name, About: t.Description, ID: strings.ToLower(strings.ReplaceAll(t.Name, " ", "-"))})
	}
	for path, item := range d.Paths {
		for _, method := range methods {
			raw, ok := item[method]
			if !ok {
				continue
			}
			var o rawOperation
			if err := json.Unmarshal(raw, &o); err != nil {
				return nil, fmt.Errorf("read operation %s %s: %w", method, path, err)
			}
			sections = d.add(sections, method, path, o)
		}
	}
	for _, s := range sections {
		slices.SortFunc(s.Operations, func(a, b operation) int {
			return cmp.Or(cmp.Compare(a.Path, b.Path), slices.Index(methods, strings.ToLower(a.Method))-slices.Index(methods, strings.ToLower(b.Method)))
		})
	}
	return slices.DeleteFunc(sections, func(s section) bool { return len(s.Operations) == 0 }), nil
}

func (d *document) add(sections []section, method, path string, o rawOperation) []section {
	tag := "Other"
	if len(o.Tags) > 0 {
		tag = o.Tags[0]
	}
	i := slices.IndexFunc(sections, func(s section) bool { return s.Name == tag })
	if i < 0 {
		i = len(sections)
		sections = append(sections, section{Name: tag, ID: strings.ToLower(tag)})
	}
	op := operation{ID: o.OperationID, Method: strings.ToUpper(method), Path: path, Summary: o.Summary, About: o.Description}
	for _, p := range o.Parameters {
		op.Parameters = append(op.Parameters, field{p.Name, p.In, d.typeOf(p.Schema), cmp.Or(p.Description, descriptionOf(p.Schema)), p.Required})
	}
	if o.RequestBody != nil {
		for _, c := range o.RequestBody.Content {
			op.Body = d.fields(c.Schema)
			break
		}
	}
	for status, r := range o.Responses {
		op.Statuses = append(op.Statuses, fact{status, r.Description})
		if strings.HasPrefix(status, "2") {
			for _, c := range r.Content {
				op.Answer = d.fields(c.Schema)
				break
			}
		}
	}
	slices.SortFunc(op.Statuses, func(a, b fact) int { return cmp.Compare(a.Name, b.Name) })
	sections[i].Operations = append(sections[i].Operations, op)
	return sections
}

func descriptionOf(s *schema) string {
	if s == nil {
		return ""
	}
	return s.Description
}

// resolve follows a reference within the document.
func (d *document) resolve(s *schema) *schema {
	if s == nil || s.Ref == "" {
		return s
	}
	if found, ok := d.Components.Schemas[refName(s.Ref)]; ok {
		return &found
	}
	return s
}

func refName(ref string) string { return ref[strings.LastIndex(ref, "/")+1:] }

func (d *document) fields(s *schema) []field {
	s = d.resolve(s)
	if s == nil {
		return nil
	}
	if s.Items != nil && len(s.Properties) == 0 {
		return d.fields(s.Items)
	}
	var list []field
	for name, p := range s.Properties {
		if name == "$schema" {
			continue
		}
		list = append(list, field{Name: name, Type: d.typeOf(p), About: p.Description, Required: slices.Contains(s.Required, name)})
	}
	slices.SortFunc(list, func(a, b field) int {
		if a.Required != b.Required {
			if a.Required {
				return -1
			}
			return 1
		}
		return cmp.Compare(a.Name, b.Name)
	})
	return list
}

// typeOf is a type in few words.
func (d *document) typeOf(s *schema) string {
	if s == nil {
		return ""
	}
	if s.Ref != "" {
		return refName(s.Ref)
	}
	var names []string
	switch t := s.Type.(type) {
	case string:
		names = []string{t}
	case []any:
		for _, one := range t {
			names = append(names, fmt.Sprint(one))
		}
	}
	text := strings.Join(names, " or ")
	if s.Items != nil {
		text = "list of " + d.typeOf(s.Items)
	}
	if s.Format != "" {
		text += " (" + s.Format + ")"
	}
	for i, e := range s.Enum {
		if i == 0 {
			text = ""
		} else {
			text += ", "
		}
		text += fmt.Sprint(e)
	}
	switch {
	case s.Minimum != nil && s.Maximum != nil:
		text += fmt.Sprintf(", %g to %g", *s.Minimum, *s.Maximum)
	case s.Minimum != nil:
		text += fmt.Sprintf(", at least %g", *s.Minimum)
	}
	return text
}

func (b *Board) referencePage(v *visit) error {
	return b.draw(v.Context, v, 200, "reference", frame{Title: "API", Nav: "reference", Page: b.reference})
}
