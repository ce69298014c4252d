package workspace

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
)

// yamlFile knows where each key of one YAML file stands, so that problems found later can name a line.
type yamlFile struct {
	rel  string
	keys map[string]yamlKey // by path such as "engine.bore_mm" or "limits[2].value", list entries counted from 0

	alias     string // key of the first alias, whose content stands elsewhere; refused
	aliasLine int
}

type yamlKey struct {
	line       int
	key, value *token.Token
	node       ast.Node
}

// decodeYAML reads one YAML document strictly into dst. The problem, if any, names line and key.
func decodeYAML(rel string, data []byte, dst any) (*yamlFile, *Problem) {
	f := &yamlFile{rel: rel, keys: map[string]yamlKey{}}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	doc, err := parser.ParseBytes(data, 0)
	if err != nil {
		return nil, f.problemFrom(err, dst)
	}
	if len(doc.Docs) > 1 {
		return nil, &Problem{File: rel, What: "holds several YAML documents",
			Remedy: "keep one; remove the lines that are only ---"}
	}
	if len(doc.Docs) == 0 || doc.Docs[0].Body == nil {
		return f, nil // empty, or comments only
	}
	f.index("", doc.Docs[0].Body)
	if f.aliasLine > 0 {
		return nil, &Problem{File: rel, Line: f.aliasLine, Where: f.alias,
			What: "refers to another place of the file by an alias", Remedy: "write the value out"}
	}
	if err := yaml.UnmarshalWithOptions(data, dst, yaml.DisallowUnknownField()); err != nil {
		return nil, f.problemFrom(err, dst)
	}
	return f, f.fractionInWhole(dst)
}

func (f *yamlFile) index(path string, n ast.Node) {
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
			f.keys[at] = yamlKey{line: lineOf(v.GetToken()), value: v.GetToken(), node: v}
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

func (f *yamlFile) indexValue(path string, v *ast.MappingValueNode) {
	key := v.Key.GetToken()
	at := key.Value
	if path != "" {
		at = path + "." + key.Value
	}
	f.keys[at] = yamlKey{line: lineOf(key), key: key, value: v.Value.GetToken(), node: v.Value}
	f.index(at, v.Value)
}

func lineOf(t *token.Token) int {
	if t == nil || t.Position == nil {
		return 0
	}
	return t.Position.Line
}

// has reports whether a key is given with a value.
func (f *yamlFile) has(path string) bool {
	k, ok := f.keys[path]
	if !ok {
		return false
	}
	_, null := k.node.(*ast.NullNode)
	return !null
}

// line returns the 1-based line of a key, or of the nearest enclosing key that exists; 0 when there is none.
func (f *yamlFile) line(path string) int {
	for path != "" {
		if k, ok := f.keys[path]; ok {
			return k.line
		}
		path = path[:max(0, strings.LastIndexAny(path, ".["))]
	}
	return 0
}

// keyAt finds the key whose name or value starts at a token.
func (f *yamlFile) keyAt(t *token.Token) string {
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

// problemFrom words a YAML error with its line, key and remedy.
func (f *yamlFile) problemFrom(err error, dst any) *Problem {
	p := &Problem{File: f.rel, What: err.Error(), Remedy: "mend the YAML"}
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
		if near := nearest(lastKey(p.Where), yamlKeys(reflect.TypeOf(dst))); near != "" {
			p.Remedy = fmt.Sprintf("did you mean %s?", near)
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
func (f *yamlFile) fractionInWhole(dst any) *Problem {
	whole := wholeKeys(reflect.TypeOf(dst))
	var found *Problem
	for path, k := range f.keys {
		n, isFloat := k.node.(*ast.FloatNode)
		if !isFloat || !slices.Contains(whole, path) {
			continue
		}
		if found == nil || k.line < found.Line {
			found = &Problem{File: f.rel, Line: k.line, Where: path, What: fmt.Sprintf("%v is not a whole number",
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
		name := yamlName(field)
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

// yamlKeys lists every key name of a type, at any depth.
func yamlKeys(t reflect.Type) []string {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Map:
		return yamlKeys(t.Elem())
	case reflect.Struct:
		var out []string
		for i := range t.NumField() {
			if name := yamlName(t.Field(i)); name != "-" {
				out = append(out, name)
				out = append(out, yamlKeys(t.Field(i).Type)...)
			}
		}
		return out
	}
	return nil
}

func yamlName(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
	return name
}

// nearest returns the candidate within two edits of word, the closest first, or "".
func nearest(word string, candidates []string) string {
	best, bestDistance := "", 3
	for _, c := range candidates {
		if d := editDistance(word, c); d < bestDistance && d < len(c) {
			best, bestDistance = c, d
		}
	}
	return best
}

// editDistance is Levenshtein's: insertions, deletions and substitutions.
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
