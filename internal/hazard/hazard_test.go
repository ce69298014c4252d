package hazard

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/metric"
	"headroom/models/channel"
)

// The order is that of the results' contract, written out here once more.
func TestOrder(t *testing.T) {
	want := strings.Fields("knock lean fuel_delivery rail_pressure charge_temperature coolant_temperature " +
		"oil_temperature exhaust_temperature cylinder_pressure low_speed_load boost_control driveline")
	var got []string
	for _, h := range All() {
		got = append(got, string(h.ID))
	}
	if !slices.Equal(got, want) {
		t.Errorf("hazards are %v, want %v", got, want)
	}
}

// Every row is whole: a known severity, metrics and channels that exist, words to call it by.
func TestRowsAreWhole(t *testing.T) {
	for _, h := range All() {
		if got, ok := Of(h.ID); !ok || got.ID != h.ID {
			t.Errorf("%s is not found by its name", h.ID)
		}
		if h.Severity.Rank() < 0 || h.Spoken == "" || strings.Contains(h.Spoken, "_") {
			t.Errorf("%s: severity %q, spoken %q", h.ID, h.Severity, h.Spoken)
		}
		if len(h.Metrics) == 0 || len(h.Logs) == 0 {
			t.Errorf("%s has no metric or no channel", h.ID)
		}
		for _, m := range h.Metrics {
			row, ok := metric.Of(m)
			if !ok || !h.Has(m) || row.Limited() == (h.ID == Knock) {
				t.Errorf("%s: metric %s is not in the catalogue, or limits on it are not written as they should be",
					h.ID, m)
			}
		}
		for _, c := range h.Logs {
			if _, ok := channel.Lookup(c); !ok {
				t.Errorf("%s: channel %s does not exist", h.ID, c)
			}
		}
	}
	if _, ok := Of("lightning"); ok {
		t.Error("an unknown hazard is found")
	}
}

func TestSeverities(t *testing.T) {
	all := Severities()
	for i, s := range all {
		if s.Rank() != i || s.Serious() != (s == Major || s == Catastrophic) {
			t.Errorf("%s: rank %d, serious %v", s, s.Rank(), s.Serious())
		}
	}
	if Severity("dire").Rank() != -1 || Severity("dire").Serious() {
		t.Error("an unknown severity has a rank")
	}
}

// Wherever a schema lists hazards or severities, it lists the catalogue's.
func TestSchemasListTheCatalogue(t *testing.T) {
	files, err := filepath.Glob("../../docs/schema/*.schema.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("no schema: %v", err)
	}
	hazards, severities := []string{}, []string{}
	for _, h := range All() {
		hazards = append(hazards, string(h.ID))
	}
	for _, s := range Severities() {
		severities = append(severities, string(s))
	}
	found := 0
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		var schema any
		if err := json.Unmarshal(data, &schema); err != nil {
			t.Fatalf("%s: %v", f, err)
		}
		for _, list := range enums(schema) {
			for first, want := range map[string][]string{string(Knock): hazards, string(Minor): severities} {
				if len(list) == 0 || list[0] != first {
					continue
				}
				found++
				if !slices.Equal(list[:min(len(list), len(want))], want) {
					t.Errorf("%s lists %v, want %v", f, list, want)
				}
			}
		}
	}
	if found == 0 {
		t.Error("no schema lists hazards")
	}
}

// enums are the lists of allowed words anywhere in a schema.
func enums(v any) [][]string {
	var out [][]string
	switch v := v.(type) {
	case map[string]any:
		for key, inner := range v {
			words, ok := inner.([]any)
			if key != "enum" || !ok {
				out = append(out, enums(inner)...)
				continue
			}
			var list []string
			for _, w := range words {
				if s, ok := w.(string); ok {
					list = append(list, s)
				}
			}
			out = append(out, list)
		}
	case []any:
		for _, inner := range v {
			out = append(out, enums(inner)...)
		}
	}
	return out
}
