package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// json prints an answer for programs: SI units, lists that are empty as [] and
// never null, and characters that do not print as escapes, so that a terminal
// is as safe as with text.
func (a *app) json(answer any) error {
	v := reflect.New(reflect.TypeOf(answer)).Elem()
	v.Set(reflect.ValueOf(answer))
	fillLists(v)
	var text bytes.Buffer
	enc := json.NewEncoder(&text)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v.Interface()); err != nil {
		return fmt.Errorf("the answer does not go into JSON (%w); please report it with the files", err)
	}
	_, err := a.out.Write(escape(text.Bytes()))
	return err
}

// fillLists puts empty lists and maps for those that are nil, all the way down.
func fillLists(v reflect.Value) {
	switch v.Kind() {
	case reflect.Slice:
		if v.IsNil() && v.CanSet() {
			v.Set(reflect.MakeSlice(v.Type(), 0, 0))
		}
		for i := range v.Len() {
			fillLists(v.Index(i))
		}
	case reflect.Map:
		if v.IsNil() && v.CanSet() {
			v.Set(reflect.MakeMap(v.Type()))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				fillLists(v.Field(i))
			}
		}
	case reflect.Pointer:
		if !v.IsNil() {
			fillLists(v.Elem())
		}
	}
}

// escape writes characters that do not print as \u escapes. Such characters
// stand in JSON only within strings, where an escape means the same.
func escape(text []byte) []byte {
	out := make([]byte, 0, len(text))
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRune(text[i:])
		switch {
		case r == '\n' || unicode.IsPrint(r):
			out = append(out, text[i:i+n]...)
		case r > 0xFFFF:
			high, low := utf16.EncodeRune(r)
			out = fmt.Appendf(out, `\u%04x\u%04x`, high, low)
		default:
			out = fmt.Appendf(out, `\u%04x`, r)
		}
		i += n
	}
	return out
}
