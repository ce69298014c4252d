package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/hazard"
	"headroom/internal/report/export"
	"headroom/internal/result"
)

// TestSchemas holds the JSON of every populated fixture against its schema in docs/schema: the same keys, in the same
// order, of the stated types, none missing and none besides.
func TestSchemas(t *testing.T) {
	for kind, file := range map[string]string{
		"review": "review", "audit": "audit", "across": "across", "against": "against", "fleet": "fleet",
		"envelopes": "envelope", "inspect": "inspect", "ingest": "ingest", "verify": "verify",
	} {
		schema := schemaFile(t, file)
		c := checker{t: t, defs: schema.get("$defs").(object), used: map[string]bool{}}
		c.check(file, schema, ordered(t, render(t, kind, JSON, Options{})))
		c.allUsed(file)
	}
}

// TestReasonSchema holds every kind of reason against docs/schema/reason.schema.json, and finds none there besides.
func TestReasonSchema(t *testing.T) {
	schema := schemaFile(t, "reason")
	c := checker{t: t, root: schema, defs: schema.get("$defs").(object), used: map[string]bool{}}
	var b bytes.Buffer
	if err := export.JSON(&b, everyReason()); err != nil {
		t.Fatal(err)
	}
	for _, r := range ordered(t, b.String()).([]any) {
		c.check(r.(object).get("code").(string), schema, r)
	}
	c.allUsed("reason")
}

// TestSchemaNames: a list of hazards, severities or statuses in a schema is the catalogue's.
func TestSchemaNames(t *testing.T) {
	var hazards []hazard.ID
	for _, h := range hazard.All() {
		hazards = append(hazards, h.ID)
	}
	files, err := filepath.Glob(filepath.Join("..", "..", "docs", "schema", "*.json"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	lists := 0
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, enum := range enums(ordered(t, string(data))) {
			var want []string
			switch {
			case slices.Contains(enum, string(hazard.Knock)):
				want = names(hazards)
			case slices.Contains(enum, string(hazard.Catastrophic)):
				want = names(hazard.Severities())
			default:
				continue
			}
			lists++
			if got := enum; !slices.Equal(got[:min(len(got), len(want))], want) {
				t.Errorf("%s lists %v, the catalogue has %v", filepath.Base(file), got, want)
			}
		}
	}
	if lists == 0 {
		t.Error("no schema lists hazards")
	}
}

// enums are the lists of words in a schema.
func enums(schema any) [][]string {
	var out [][]string
	switch v := schema.(type) {
	case object:
		for _, m := range v {
			if list, ok := m.value.([]any); ok && m.key == "enum" {
				out = append(out, types(list))
				continue
			}
			out = append(out, enums(m.value)...)
		}
	case []any:
		for _, x := range v {
			out = append(out, enums(x)...)
		}
	}
	return out
}

func schemaFile(t *testing.T, name string) object {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "docs", "schema", name+".schema.json"))
	if err != nil {
		t.Fatal(err)
	}
	return ordered(t, string(data)).(object)
}

// TestContractOrder holds the review's keys against the contract, written out here once more. What came later stands
// behind the contract's own keys, typed facts last, the parent's chance after a hazard's pulls, the rest of a gain
// after its change and of a footprint after its lists; the unit of a margin stands beside it.
func TestContractOrder(t *testing.T) {
	r := ordered(t, render(t, "review", JSON, Options{})).(object)
	for _, c := range []struct {
		of   object
		want string
	}{
		{r, "schema tool_version workspace_digest seed revision parent platform vehicle author fuel verdict because " +
			"hazards findings gains conditions footprint next_pulls changes cautions own_logs reasons " +
			"notes weather unvisited support"},
		{r.get("changes").([]any)[0].(object), "what from to account why name largest unit at values pulls reasons"},
		{r.get("hazards").([]any)[0].(object), "hazard severity status why probability_per_pull interval90 basis " +
			"cars pulls parent_probability_per_pull change_interval90 reasons record uses"},
		{r.get("findings").([]any)[0].(object), "rank hazard severity cell metric unit predicted interval90 limit " +
			"limit_source margin margin_sd probability_per_pull envelope basis change say"},
		{r.get("gains").([]any)[0].(object), "rpm torque_nm change_pct change_interval90_pct power_kw spent_hazard " +
			"spent_margin spent_unit spent_sd"},
		{r.get("conditions").([]any)[0].(object), "condition hazard margin unit probability_per_pull stress " +
			"parent_probability_per_pull"},
		{r.get("footprint").(object), "cells_changed cells_changed_visited states_past_last_breakpoint not_modelled " +
			"cells_changed_unvisited cells_visited_unchanged compared_with unvisited tables spikes not_compared gaps " +
			"obstacle"},
		{r.get("next_pulls").([]any)[0].(object), "rpm load_pct gear channels narrows reasons"},
	} {
		if got := strings.Join(c.of.keys(), " "); got != c.want {
			t.Errorf("keys are\n%s, want\n%s", got, c.want)
		}
	}
}

// TestJSONIsPlain checks the form: indent, final newline, null for what is not known, [] for empty lists.
func TestJSONIsPlain(t *testing.T) {
	out := render(t, "review", JSON, Options{})
	if !strings.HasPrefix(out, "{\n  \"schema\"") || !strings.HasSuffix(out, "}\n") {
		t.Error("not indented by two blanks with a final newline")
	}
	if !strings.Contains(out, `"predicted": null`) || !strings.Contains(out, "<b>not public</b>") {
		t.Error("a missing number must be null, and text must not be escaped for HTML")
	}
	var b bytes.Buffer
	r := fixtureReview()
	r.Reasons, r.Findings, r.Footprint.Gaps = nil, nil, nil
	r.Hazards[0].Reasons = result.Reasons{assess.MeasuredCrossing{Runs: []string{"<b>"}}}
	if err := Review(&b, r, JSON, Options{}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"because": []`, `"findings": []`, `"not_modelled": []`, `"reasons": []`,
		`"cars": []`,
		`"<b>"`} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %s", want)
		}
	}
}

// TestResultIsLeftAlone: the words go into a copy.
func TestResultIsLeftAlone(t *testing.T) {
	for _, f := range formats {
		review, audit, across, against, envelopes := fixtureReview(), fixtureAudit(), fixtureAcross(), fixtureAgainst(),
			fixtureEnvelopes()
		for _, c := range []struct {
			now, was any
			write    error
		}{
			{review, fixtureReview(), Review(io.Discard, review, f, Options{})},
			{audit, fixtureAudit(), Audit(io.Discard, audit, f, Options{})},
			{across, fixtureAcross(), Across(io.Discard, across, f, Options{})},
			{against, fixtureAgainst(), Against(io.Discard, against, f, Options{})},
			{envelopes, fixtureEnvelopes(), Envelopes(io.Discard, envelopes, f, Options{})},
		} {
			now, err := json.Marshal(c.now)
			was, err2 := json.Marshal(c.was)
			if err = errors.Join(c.write, err, err2); err != nil || !bytes.Equal(now, was) {
				t.Errorf("%T as %s: writing changed the result, %v", c.now, f, err)
			}
		}
	}
}

// object is a JSON object that keeps the order of its keys.
type object []member

type member struct {
	key   string
	value any
}

func (o object) get(key string) any {
	for _, m := range o {
		if m.key == key {
			return m.value
		}
	}
	return nil
}

func (o object) keys() []string {
	out := make([]string, len(o))
	for i, m := range o {
		out[i] = m.key
	}
	return out
}

// ordered reads JSON into object, []any, string, float64, bool and nil.
func ordered(t *testing.T, s string) any {
	t.Helper()
	d := json.NewDecoder(strings.NewReader(s))
	v, err := next(d)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func next(d *json.Decoder) (any, error) {
	token, err := d.Token()
	if err != nil {
		return nil, err
	}
	switch token {
	case json.Delim('{'):
		out := object{}
		for d.More() {
			key, err := d.Token()
			if err != nil {
				return nil, err
			}
			value, err := next(d)
			if err != nil {
				return nil, err
			}
			out = append(out, member{key.(string), value})
		}
		_, err = d.Token()
		return out, err
	case json.Delim('['):
		out := []any{}
		for d.More() {
			value, err := next(d)
			if err != nil {
				return nil, err
			}
			out = append(out, value)
		}
		_, err = d.Token()
		return out, err
	}
	return token, nil
}

// checker knows the part of JSON Schema that docs/schema uses.
type checker struct {
	t    *testing.T
	root object // of the file, where something in it refers to all of it
	defs object
	used map[string]bool
}

// allUsed fails for a definition that no value was checked against.
func (c *checker) allUsed(file string) {
	c.t.Helper()
	for _, def := range c.defs {
		if !c.used[def.key] {
			c.t.Errorf("%s: no value is checked against %q", file, def.key)
		}
	}
}

// follow finds what a reference names: "#" and "#/$defs/name" in this file, "../name/1" and more behind it in another,
// whose definitions its own test counts.
func (c *checker) follow(ref string) (*checker, object) {
	file, inside, _ := strings.Cut(ref, "#")
	if file != "" {
		schema := schemaFile(c.t, strings.TrimSuffix(strings.TrimPrefix(file, "../"), "/1"))
		other := &checker{t: c.t, root: schema, defs: schema.get("$defs").(object), used: map[string]bool{}}
		if inside == "" {
			return other, schema
		}
		return other.follow("#" + inside)
	}
	if inside == "" {
		return c, c.root
	}
	name := strings.TrimPrefix(inside, "/$defs/")
	c.used[name] = true
	return c, c.defs.get(name).(object)
}

func (c *checker) check(at string, schema object, value any) {
	for _, m := range schema {
		switch m.key {
		case "$ref":
			in, target := c.follow(m.value.(string))
			in.check(at, target, value)
		case "anyOf":
			c.anyOf(at, m.value.([]any), value)
		case "type":
			if !slices.Contains(types(m.value), kind(value)) && !(kind(value) == "integer" &&
				slices.Contains(types(m.value), "number")) {
				c.t.Errorf("%s: %v is %s, want %v", at, value, kind(value), m.value)
			}
		case "const":
			if value != m.value {
				c.t.Errorf("%s: %v, want %v", at, value, m.value)
			}
		case "enum":
			if !slices.Contains(m.value.([]any), value) {
				c.t.Errorf("%s: %v is none of %v", at, value, m.value)
			}
		case "minimum":
			if value.(float64) < m.value.(float64) {
				c.t.Errorf("%s: %v is below %v", at, value, m.value)
			}
		case "properties":
			if value != nil { // the type says whether null may stand here
				c.properties(at, m.value.(object), value)
			}
		case "prefixItems":
			items, want := value.([]any), m.value.([]any)
			if len(items) != len(want) {
				c.t.Errorf("%s: %d items, want %d", at, len(items), len(want))
				return
			}
			for i := range want {
				c.check(fmt.Sprintf("%s[%d]", at, i), want[i].(object), items[i])
			}
		case "items":
			items, ok := m.value.(object)
			for i := 0; ok && i < len(value.([]any)); i++ {
				c.check(fmt.Sprintf("%s[%d]", at, i), items, value.([]any)[i])
			}
		case "required", "additionalProperties", "minItems", "description", "title", "$schema", "$id", "$defs":
		default:
			c.t.Errorf("%s: the schema uses %q, which this check does not know", at, m.key)
		}
	}
}

func (c *checker) properties(at string, want object, value any) {
	got := value.(object)
	if a, b := strings.Join(got.keys(), " "), strings.Join(want.keys(), " "); a != b {
		c.t.Errorf("%s: keys are\n%s, the schema has\n%s", at, a, b)
		return
	}
	for _, m := range want {
		c.check(at+"."+m.key, m.value.(object), got.get(m.key))
	}
}

// anyOf takes the alternative that has the value's type, an object or null, or that has the value's code.
func (c *checker) anyOf(at string, alternatives []any, value any) {
	for _, a := range alternatives {
		schema := a.(object)
		if code, ok := c.codeOf(schema); ok {
			if v, ok := value.(object); ok && v.get("code") == code {
				c.check(at, schema, value)
				return
			}
			continue
		}
		if isNull := schema.get("type") == "null"; isNull == (value == nil) {
			c.check(at, schema, value)
			return
		}
	}
	c.t.Errorf("%s: %v fits no alternative", at, value)
}

// codeOf is the code that a reason's schema asks for; false for a schema of anything else.
func (c *checker) codeOf(schema object) (any, bool) {
	ref, ok := schema.get("$ref").(string)
	if !ok {
		return nil, false
	}
	target, ok := c.defs.get(strings.TrimPrefix(ref, "#/$defs/")).(object)
	if !ok {
		return nil, false
	}
	properties, _ := target.get("properties").(object)
	code, ok := properties.get("code").(object)
	return code.get("const"), ok
}

func types(v any) []string {
	if one, ok := v.(string); ok {
		return []string{one}
	}
	var out []string
	for _, x := range v.([]any) {
		out = append(out, x.(string))
	}
	return out
}

func kind(v any) string {
	switch v := v.(type) {
	case nil:
		return "null"
	case object:
		return "object"
	case []any:
		return "array"
	case string:
		return "string"
	case bool:
		return "boolean"
	case float64:
		if v == float64(int64(v)) {
			return "integer"
		}
	}
	return "number"
}
