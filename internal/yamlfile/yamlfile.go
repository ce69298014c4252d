// Package yamlfile answers one question: what does a YAML file that people write by hand say, and on which line does it
// say so? Decoding is strict: an unknown key, a value of the wrong kind, a fraction where a whole number is kept, a
// second document and an alias are faults, each with its line, its key and a remedy.
package yamlfile

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"headroom/internal/fault"
)

// File knows where each key of one YAML file stands, so that faults found later can name a line. Keys are named by
// their path, such as "engine.bore_mm" or "limits[2].value", with list entries counted from 0.
type File struct {
	Name string // as faults give it

	keys map[string]position

	alias     string // key of the first alias, whose content stands elsewhere; refused
	aliasLine int
}

type position struct {
	line       int
	key, value *token.Token
	node       ast.Node
}

// Decode reads one YAML document strictly into dst, a pointer to a struct. A file that is empty or holds nothing but
// comments leaves dst as it is. name is what the fault, if any, calls the file.
func Decode(name string, data []byte, dst any) (*File, *fault.Fault) {
	f := &File{Name: name, keys: map[string]position{}}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if tooMuch := beyond(name, data); tooMuch != nil {
		return nil, tooMuch
	}
	doc, err := parser.ParseBytes(data, 0)
	if err != nil {
		return nil, f.faultFrom(err, dst)
	}
	if len(doc.Docs) > 1 {
		return nil, &fault.Fault{File: name, What: "holds several YAML documents",
			Remedy: "keep one; remove the lines that are only ---"}
	}
	if len(doc.Docs) == 0 || doc.Docs[0].Body == nil {
		return f, nil // empty, or comments only
	}
	f.index("", doc.Docs[0].Body)
	if f.aliasLine > 0 {
		return nil, &fault.Fault{File: name, Line: f.aliasLine, Where: f.alias,
			What: "refers to another place of the file by an alias", Remedy: "write the value out"}
	}
	if err := yaml.UnmarshalWithOptions(data, dst, yaml.DisallowUnknownField()); err != nil {
		return nil, f.faultFrom(err, dst)
	}
	return f, f.fractionInWhole(dst)
}

// What a file that people write by hand has at most. The parser takes some kilobytes of memory for each sign that opens
// a list or a block, and time that grows with the square of keys and of a line, so that 100 kB could take all memory.
const (
	maxBytes     = 256 << 10
	maxLines     = 5000
	maxLineBytes = 4 << 10
	maxOpen      = 64 // brackets and braces that are open at once
)

// beyond says which bound a file breaks, nil when none. Brackets in text and comments count as well, which no text that
// people write comes near.
func beyond(name string, data []byte) *fault.Fault {
	refuse := func(line int, format string, args ...any) *fault.Fault {
		return &fault.Fault{File: name, Line: line, What: fmt.Sprintf(format, args...),
			Remedy: "keep what the page on workspaces describes, one entry a line"}
	}
	if len(data) > maxBytes {
		return refuse(0, "is larger than the reader's limit of %d bytes", maxBytes)
	}
	number, open := 0, 0
	for line := range bytes.Lines(data) {
		number++
		open += bytes.Count(line, []byte("[")) + bytes.Count(line, []byte("{"))
		switch {
		case number > maxLines:
			return refuse(number, "has more than %d lines", maxLines)
		case len(line) > maxLineBytes:
			return refuse(number, "line is longer than %d bytes", maxLineBytes)
		case open > maxOpen && open-bytes.Count(line, []byte("]"))-bytes.Count(line, []byte("}")) > maxOpen:
			return refuse(number, "has more than %d brackets open at once", maxOpen)
		}
		open = max(0, open-bytes.Count(line, []byte("]"))-bytes.Count(line, []byte("}")))
	}
	return nil
}

func (f *File) index(path string, n ast.Node) {
	switch n := n.(type) {
	case *ast.MappingNode:
		for _, v := range n.Values {
			f.indexValue(path, v)
		}
	case *ast.MappingValueNode:
		f.indexValue(path, n)
	case *ast.SequenceNode:
		for i, v := range n.Values {
			at := fmt.Sprintf("%s[%d]", path, i)
			f.keys[at] = position{line: lineOf(v.GetToken()), value: v.GetToken(), node: v}
			f.index(at, v)
		}
	case *ast.AliasNode:
		if f.aliasLine == 0 {
			f.alias, f.aliasLine = path, lineOf(n.GetToken())
		}
	case *ast.AnchorNode:
		f.index(path, n.Value)
	case *ast.TagNode:
		f.index(path, n.Value)
	}
}

func (f *File) indexValue(path string, v *ast.MappingValueNode) {
	key := v.Key.GetToken()
	at := key.Value
	if path != "" {
		at = path + "." + key.Value
	}
	f.keys[at] = position{line: lineOf(key), key: key, value: v.Value.GetToken(), node: v.Value}
	f.index(at, v.Value)
}

func lineOf(t *token.Token) int {
	if t == nil || t.Position == nil {
		return 0
	}
	return t.Position.Line
}

// Has reports whether a key is given with a value.
func (f *File) Has(path string) bool {
	k, ok := f.keys[path]
	if !ok {
		return false
	}
	_, null := k.node.(*ast.NullNode)
	return !null
}

// Line returns the 1-based line of a key, or of the nearest enclosing key that exists; 0 when there is none.
func (f *File) Line(path string) int {
	for path != "" {
		if k, ok := f.keys[path]; ok {
			return k.line
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return 0
}

// keyAt finds the key whose name or value starts at a token.
func (f *File) keyAt(t *token.Token) string {
	if t == nil || t.Position == nil {
		return ""
	}
	same := func(u *token.Token) bool {
		return u != nil && u.Position != nil && u.Position.Line == t.Position.Line &&
			u.Position.Column == t.Position.Column
	}
	found := ""
	for path, k := range f.keys {
		// the outermost key that starts there; by length, then alphabetically, so the answer does not vary
		if (same(k.key) || same(k.value)) && (found == "" || len(path) < len(found) || len(path) == len(found) &&
			path < found) {
			found = path
		}
	}
	return found
}

// faultFrom words an error of the decoder with its line, key and remedy.
func (f *File) faultFrom(err error, dst any) *fault.Fault {
	p := &fault.Fault{File: f.Name, What: err.Error(), Remedy: "mend the YAML"}
	var detail yaml.Error
	if !errors.As(err, &detail) {
		return p
	}
	p.Line, p.Where, p.What = lineOf(detail.GetToken()), f.keyAt(detail.GetToken()), detail.GetMessage()
	var unknown *yaml.UnknownFieldError
	var mismatch *yaml.TypeError
	var overflow *yaml.OverflowError
	var shape *yaml.UnexpectedNodeTypeError
	switch {
	case errors.As(err, &unknown):
		p.What, p.Remedy = "unknown key", "remove it or correct its spelling"
		if meant := fault.DidYouMean(lastKey(p.Where), keyNames(reflect.TypeOf(dst))); meant != "" {
			p.Remedy = meant
		}
	case errors.As(err, &mismatch):
		p.What, p.Remedy = fmt.Sprintf("%q is not %s", detail.GetToken().Value, kindName(mismatch.DstType)),
			"write "+kindName(mismatch.DstType)
	case errors.As(err, &overflow):
		p.What, p.Remedy = fmt.Sprintf("%s is not %s", overflow.SrcNum, kindName(overflow.DstType)),
			"write "+kindName(overflow.DstType)
	case errors.As(err, &shape):
		p.Remedy = "indent the keys of a block below its name; start each entry of a list with a dash"
	}
	return p
}

func lastKey(path string) string { return path[strings.LastIndex(path, ".")+1:] }

func kindName(t reflect.Type) string {
	if t == nil {
		return "the right kind of value"
	}
	switch t.Kind() {
	case reflect.Float64:
		return "a number"
	case reflect.Int:
		return "a whole number"
	case reflect.Uint64:
		return "a whole number, zero or more"
	case reflect.String:
		return "text"
	case reflect.Slice:
		return "a list"
	}
	return "a block of keys"
}

// fractionInWhole refuses 4.5 where a whole number is kept; the decoder would cut it to 4.
func (f *File) fractionInWhole(dst any) *fault.Fault {
	whole := wholeKeys(reflect.TypeOf(dst))
	var found *fault.Fault
	for path, k := range f.keys {
		n, isFloat := k.node.(*ast.FloatNode)
		if !isFloat || !slices.Contains(whole, path) {
			continue
		}
		if found == nil || k.line < found.Line {
			found = &fault.Fault{File: f.Name, Line: k.line, Where: path, What: fmt.Sprintf("%v is not a whole number",
				n.Value), Remedy: "write a whole number"}
		}
	}
	return found
}

// wholeKeys lists the paths of integer fields outside lists and maps.
func wholeKeys(t reflect.Type) []string {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return nil
	}
	var out []string
	for i := range t.NumField() {
		field := t.Field(i)
		name := keyName(field)
		switch field.Type.Kind() {
		case reflect.Int, reflect.Uint64:
			out = append(out, name)
		case reflect.Struct, reflect.Pointer:
			for _, k := range wholeKeys(field.Type) {
				out = append(out, name+"."+k)
			}
		}
	}
	return out
}

// keyNames lists every key name of a type, at any depth.
func keyNames(t reflect.Type) []string {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Map:
		return keyNames(t.Elem())
	case reflect.Struct:
		var out []string
		for i := range t.NumField() {
			if name := keyName(t.Field(i)); name != "-" {
				out = append(out, name)
				out = append(out, keyNames(t.Field(i).Type)...)
			}
		}
		return out
	}
	return nil
}

func keyName(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
	return name
}
