package document

import (
	"encoding/json"
	"maps"
	"slices"
	"strconv"
)

// draft is the dialect that Schema writes.
const draft = "https://json-schema.org/draft/2020-12/schema"

// schema is the part of JSON Schema (draft 2020-12) that shapes need.
type schema struct {
	Schema      string             `json:"$schema,omitempty"`
	Title       string             `json:"title,omitempty"`
	Description string             `json:"description,omitempty"`
	Type        []string           `json:"type,omitempty"`
	Enum        []any              `json:"enum,omitempty"`
	Pattern     string             `json:"pattern,omitempty"`
	MinLength   int                `json:"minLength,omitempty"`
	Properties  map[string]*schema `json:"properties,omitempty"`
	Required    []string           `json:"required,omitempty"`
	Names       *schema            `json:"propertyNames,omitempty"`
	Additional  any                `json:"additionalProperties,omitempty"`
	MinEntries  int                `json:"minProperties,omitempty"`
	Items       *schema            `json:"items,omitempty"`
	MinItems    int                `json:"minItems,omitempty"`
	MaxItems    int                `json:"maxItems,omitempty"`
	AnyOf       []*schema          `json:"anyOf,omitempty"`
	Examples    []any              `json:"examples,omitempty"`
}

// Schema prints the shape as a JSON Schema (draft 2020-12) with a title.
//
// A schema says less than Check: it cannot see keys that are there twice, and
// it leaves the texts that Parse checks to Parse. What it refuses, Check
// refuses too. Editors read YAML scalars as numbers and booleans where they
// look so, while Check goes by the text, hence the wide types of scalars.
func (s *Shape) Schema(title string) []byte {
	top := s.schema()
	top.Schema, top.Title = draft, title
	text, err := json.MarshalIndent(top, "", "  ")
	if err != nil {
		panic("document: schema: " + err.Error()) // strings and ints always marshal
	}
	return append(text, '\n')
}

func (s *Shape) schema() *schema {
	out := &schema{Description: s.Doc}
	if s.Example != "" {
		out.Examples = []any{literal(s.Example)}
	}
	switch {
	case s.OneOf != nil:
		for _, o := range s.OneOf {
			out.AnyOf = append(out.AnyOf, o.schema())
		}
		if s.Null {
			out.AnyOf = append(out.AnyOf, &schema{Type: []string{"null"}})
		}
		return out
	case s.Fields != nil:
		out.Type = []string{"object"}
		out.Properties = make(map[string]*schema, len(s.Fields))
		out.Additional = false
		for _, f := range s.Fields {
			out.Properties[f.Name] = f.Shape.schema()
			if f.Required {
				out.Required = append(out.Required, f.Name)
			}
		}
	case s.Value != nil:
		out.Type = []string{"object"}
		if s.Key != nil {
			// Keys are always strings in JSON.
			out.Names = &schema{Description: s.Key.Doc, Pattern: s.Key.schema().Pattern, Enum: s.Key.schema().Enum}
		}
		out.Additional, out.MinEntries = s.Value.schema(), s.MinItems
	case s.Item != nil:
		item := s.Item.schema()
		list := &schema{Type: []string{"array"}, Items: item, MinItems: s.MinItems, MaxItems: s.MaxItems}
		if s.Single {
			out.AnyOf = []*schema{item, list}
			if s.Null {
				out.AnyOf = append(out.AnyOf, &schema{Type: []string{"null"}})
			}
			return out
		}
		out.Type, out.Items, out.MinItems, out.MaxItems = list.Type, item, s.MinItems, s.MaxItems
	case s.Enum != nil:
		for _, e := range slices.Concat(s.Enum, slices.Sorted(maps.Keys(s.Also))) {
			out.Enum = append(out.Enum, e)
			if v := literal(e); v != any(e) {
				out.Enum = append(out.Enum, v)
			}
		}
		if s.Null {
			out.Enum = append(out.Enum, nil)
		}
		return out
	default:
		out.Type = []string{"string", "number", "boolean"}
		out.MinLength = 1
		if s.Pattern != "" {
			out.Pattern = anchored(s.Pattern)
		}
	}
	if s.Null {
		out.Type = append(out.Type, "null")
	}
	return out
}

// literal is the JSON value that an editor makes of a scalar's text.
func literal(text string) any {
	switch text {
	case "true":
		return true
	case "false":
		return false
	}
	if n, err := strconv.ParseInt(text, 10, 64); err == nil {
		return n
	}
	if v, err := strconv.ParseFloat(text, 64); err == nil && json.Valid([]byte(text)) {
		return v
	}
	return text
}
