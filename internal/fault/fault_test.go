package fault

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"testing"
)

func TestWording(t *testing.T) {
	for _, c := range []struct {
		fault Fault
		want  string
	}{
		{Fault{File: "vehicles.csv", What: "is not UTF-8 text"}, "vehicles.csv: is not UTF-8 text"},
		{Fault{File: "a.csv", Line: 3, What: "is cut short", Remedy: "send it again"},
			"a.csv:3: is cut short; send it again"},
		{Fault{File: "p.yaml", Line: 12, Where: "engine.bore_mm", What: "missing", Remedy: "give it"},
			"p.yaml:12: engine.bore_mm: missing; give it"},
		{Fault{File: "a.gz", What: "cannot be read", Cause: fs.ErrPermission, Remedy: "check it"},
			"a.gz: cannot be read: permission denied; check it"},
	} {
		// the same as an entry of a list and as an error
		if got := c.fault.String(); got != c.want || (&c.fault).Error() != got || fmt.Sprintf("%v", c.fault) != got {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestAsAnError(t *testing.T) {
	err := fmt.Errorf("workspace: %w", &Fault{What: "cannot be opened", Cause: fs.ErrNotExist})
	if !errors.Is(err, fs.ErrNotExist) {
		t.Error("the underlying error is lost")
	}
	var f *Fault
	if Name(err, "x.csv"); !errors.As(err, &f) || f.File != "x.csv" {
		t.Errorf("the fault is not named: %v", err)
	}
	if Name(err, "y.csv"); f.File != "x.csv" {
		t.Errorf("a name was replaced: %v", err)
	}
	if other := errors.New("other"); Name(other, "x.csv") != other || Name(nil, "x.csv") != nil {
		t.Error("an error that is no fault was changed")
	}
}

func TestSorted(t *testing.T) {
	want := []Fault{{File: "a", What: "whole"}, {File: "a", Line: 2, Where: "k", What: "x"},
		{File: "a", Line: 2, Where: "l", What: "w"}, {File: "a", Line: 10}, {File: "b", What: "p", Remedy: "q"},
		{File: "b", What: "p", Remedy: "r"}}
	mixed := slices.Concat(want[3:], want[:2], want[1:3]) // one of them twice
	if got := Sorted(mixed); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestDidYouMean(t *testing.T) {
	known := []string{"bore_mm", "stroke_mm", "id"}
	for word, want := range map[string]string{"bor_mm": "did you mean bore_mm?", "strok_m": "did you mean stroke_mm?",
		"cylinders": "", "": "", "xy": ""} {
		if got := DidYouMean(word, known); got != want {
			t.Errorf("%q: %q, want %q", word, got, want)
		}
	}
}

func TestEditDistance(t *testing.T) {
	// Levenshtein distances anyone can count
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"a", "", 1}, {"kitten", "sitting", 3}, {"bor_mm", "bore_mm", 1}, {"flaw", "lawn", 2}} {
		if got := EditDistance(c.a, c.b); got != c.want {
			t.Errorf("%q to %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}
