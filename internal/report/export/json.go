package export

import (
	"encoding/json"
	"fmt"
	"io"
	"reflect"
)

// JSON writes a result with its keys in struct order, two blanks of indent and a trailing newline. A list
// without entries is [], never null.
func JSON(w io.Writer, result any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(listed(reflect.ValueOf(result)).Interface()); err != nil {
		return fmt.Errorf("write json: %w", err)
	}
	return nil
}

// listed is a copy of a result in which nil slices are empty ones.
func listed(v reflect.Value) reflect.Value {
	out := reflect.New(v.Type()).Elem()
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return v
		}
		out.Set(reflect.New(v.Type().Elem()))
		out.Elem().Set(listed(v.Elem()))
	case reflect.Struct:
		out.Set(v)
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				out.Field(i).Set(listed(v.Field(i)))
			}
		}
	case reflect.Slice:
		out.Set(reflect.MakeSlice(v.Type(), v.Len(), v.Len()))
		for i := range v.Len() {
			out.Index(i).Set(listed(v.Index(i)))
		}
	case reflect.Interface:
		if v.IsNil() {
			return v
		}
		out.Set(listed(v.Elem()))
	default:
		return v
	}
	return out
}
