package api

import (
	"encoding/json"
	"fmt"
	"reflect"

	"frostgate/scheduler/alert"

	"github.com/danielgtaylor/huma/v2"
)

// EventSchema is the JSON Schema (2020-12) of the events in messages, as served at /event-schema.json: version 1. To a
// version members are only added, so other members than the known ones are allowed; a change of meaning makes a new
// version at an address of its own.
func EventSchema() ([]byte, error) {
	const prefix = "#/$defs/"
	registry := huma.NewMapRegistry(prefix, schemaName)
	root := registry.Schema(reflect.TypeFor[alert.Event](), true, "Event")
	definitions := registry.Map()
	tellNulls(registry)
	for _, s := range definitions {
		s.AdditionalProperties = nil
		delete(s.Properties, "$schema")
		for _, member := range s.Properties {
			if member.Type == huma.TypeArray {
				member.Nullable = false // an empty list is sent as one, or left out
			}
		}
	}
	text, err := json.MarshalIndent(map[string]any{
		"$schema": "https://json-schema.org/draft/2020-12/schema", "title": fmt.Sprintf("frostgate event, version %d", alert.Schema),
		"description": "What a message says. Members are only added to a version. Quantities are SI, with the unit beside them; texts are in the firm's units and the site's local time.",
		"$ref":        root.Ref, "$defs": definitions,
	}, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("write event schema: %w", err)
	}
	return append(text, '\n'), nil
}
