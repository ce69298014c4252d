package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestSchemas holds the JSON of every populated fixture against its schema in docs/schema: the same keys, in the same
// order, of the stated types, none missing and none besides.
func TestSchemas(t *testing.T) {
	for result, file := range map[string]string{
		"review": "review", "audit": "audit", "across": "across", "against": "against", "fleet": "fleet",
		"envelopes": "envelope", "inspect": "inspect", "ingest": "ingest", "verify": "verify",
	} {
		data, err := os.ReadFile(filepath.Join("..", "..", "docs", "schema", file+".schema.json"))
		if err != nil {
			t.Fatal(err)
		}
		schema := ordered(t, string(data)).(object)
		c := checker{t: t, defs: schema.get("$defs").(object), used: map[string]bool{}}
		c.check(file, schema, ordered(t, render(t, result, JSON, Options{})))
		for _, def := range c.defs {
			if !c.used[def.key] {
				t.Errorf("%s: no value in the fixture is checked against %q", file, def.key)
			}
		}
	}
}

// TestContractOrder holds the review's keys against the contract, written out here once more. What came later stands
// behind the contract's own keys, own_logs last, the parent's chance after a hazard's pulls, the rest of a gain after
// its change and of a footprint after its lists; the unit of a margin stands beside it.
func TestContractOrder(t *testing.T) {
	r := ordered(t, render(t, "review", JSON, Options{})).(object)
	for _, c := range []struct {
		of   object
		want string
	}{
		{r, "schema tool_version workspace_digest seed revision parent platform vehicle author fuel verdict because " +
			"hazards findings gains conditions footprint next_pulls cautions own_logs"},
		{r.get("hazards").([]any)[0].(object), "hazard severity status why probability_per_pull interval90 basis " +
			"cars pulls parent_probability_per_pull change_interval90"},
		{r.get("findings").([]any)[0].(object), "rank hazard severity cell metric unit predicted interval90 limit " +
			"limit_source margin margin_sd probability_per_pull envelope basis change say"},
		{r.get("gains").([]any)[0].(object), "rpm torque_nm change_pct change_interval90_pct power_kw spent_hazard " +
			"spent_margin spent_unit spent_sd"},
		{r.get("conditions").([]any)[0].(object), "condition hazard margin unit probability_per_pull"},
		{r.get("footprint").(object), "cells_changed cells_changed_visited states_past_last_breakpoint not_modelled " +
			"cells_changed_unvisited cells_visited_unchanged unvisited tables spikes not_compared"},
		{r.get("next_pulls").([]any)[0].(object), "rpm load_pct gear channels narrows"},
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
	r.Because, r.Findings, r.Footprint.NotModelled = nil, nil, nil
	if err := Review(&b, r, JSON, Options{}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"because": []`, `"findings": []`, `"not_modelled": []`} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %s for an empty list", want)
		}
	}
	if r.Because != nil {
		t.Error("writing changed the result")
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
	defs object
	used map[string]bool
}

func (c *checker) check(at string, schema object, value any) {
	for _, m := range schema {
		switch m.key {
		case "$ref":
			name := strings.TrimPrefix(m.value.(string), "#/$defs/")
			c.used[name] = true
			c.check(at, c.defs.get(name).(object), value)
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
			c.properties(at, m.value.(object), value)
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

// anyOf takes the alternative that has the value's type; the alternatives here are an object and null.
func (c *checker) anyOf(at string, alternatives []any, value any) {
	for _, a := range alternatives {
		schema := a.(object)
		if isNull := schema.get("type") == "null"; isNull == (value == nil) {
			c.check(at, schema, value)
			return
		}
	}
	c.t.Errorf("%s: %v fits no alternative", at, value)
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
