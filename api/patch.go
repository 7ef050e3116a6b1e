package api

import (
	"encoding/json"
	"fmt"
	"reflect"

	"github.com/danielgtaylor/huma/v2"
)

// mergePatch applies a JSON merge patch (RFC 7396) to the form of a record that its create takes, and checks the
// outcome by that form's schema, so that a patch can make nothing that a create could not.
func mergePatch[T any](a *API, current T, patch []byte) (patched T, err error) {
	document, err := json.Marshal(current)
	if err != nil {
		return patched, fmt.Errorf("write record: %w", err)
	}
	var target, change any
	if err := json.Unmarshal(document, &target); err != nil {
		return patched, fmt.Errorf("read record: %w", err)
	}
	if err := json.Unmarshal(patch, &change); err != nil {
		return patched, malformed("malformed", "The body is not JSON.", "")
	}
	if _, ok := change.(map[string]any); !ok {
		return patched, invalid(atPointer("", "type", "must be an object"))
	}
	target = merged(target, change)
	if err := a.checkForm(reflect.TypeFor[T](), target); err != nil {
		return patched, err
	}
	if document, err = json.Marshal(target); err != nil {
		return patched, fmt.Errorf("write patched record: %w", err)
	}
	if err := json.Unmarshal(document, &patched); err != nil {
		return patched, invalid(unread(err))
	}
	return patched, nil
}

// merged is the algorithm of RFC 7396, section 2.
func merged(target, patch any) any {
	change, ok := patch.(map[string]any)
	if !ok {
		return patch
	}
	object, ok := target.(map[string]any)
	if !ok {
		object = map[string]any{}
	}
	for name, value := range change {
		if value == nil {
			delete(object, name)
		} else {
			object[name] = merged(object[name], value)
		}
	}
	return object
}

// checkForm validates a parsed value by the schema of a Go type.
func (a *API) checkForm(form reflect.Type, value any) error {
	registry := a.huma.OpenAPI().Components.Schemas
	result := huma.ValidateResult{}
	path := huma.NewPathBuffer(make([]byte, 0, 64), 0)
	path.Push("body")
	huma.Validate(registry, registry.Schema(form, true, ""), path, huma.ModeWriteToServer, value, &result)
	if len(result.Errors) == 0 {
		return nil
	}
	return fromHuma(422, "", result.Errors)
}

// patchBody describes a merge patch of a form: the same fields, none required, each removable by null.
func patchBody(registry huma.Registry, form reflect.Type) *huma.RequestBody {
	full := registry.Schema(form, false, "")
	schema := *full
	schema.Required = nil
	schema.Title = ""
	schema.Properties = map[string]*huma.Schema{}
	for name, property := range full.Properties {
		schema.Properties[name] = removable(property)
	}
	schema.PrecomputeMessages()
	return &huma.RequestBody{
		Description: "A JSON merge patch (RFC 7396): fields that are absent stay, null takes a field back to its default.",
		Required:    true,
		Content:     map[string]*huma.MediaType{mediaPatch: {Schema: &schema}},
	}
}

// removable is a property that may also be null. Objects and lists are described in words only, since the schema of
// their own patch would allow everything.
func removable(property *huma.Schema) *huma.Schema {
	if property.Ref != "" || property.Type == huma.TypeObject {
		return &huma.Schema{Description: property.Description}
	}
	copied := *property
	copied.Nullable = true
	return &copied
}

// patchInput is the input of every patch; the patch itself is the exchange's body.
type patchInput struct {
	ByID
	Match
}

// fieldsOf tells which fields a patch names at its top.
func fieldsOf(patch []byte) func(string) bool {
	var fields map[string]json.RawMessage
	_ = json.Unmarshal(patch, &fields) // it was parsed before
	return func(name string) bool { _, ok := fields[name]; return ok }
}
