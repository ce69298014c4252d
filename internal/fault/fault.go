// Package fault answers one question: what is wrong with something the shop wrote or a logger exported, where exactly,
// and what would mend it? A fault is the error where nothing can go on, and an entry of a list where the rest is still
// of use; it reads the same in both.
package fault

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Fault is one thing that is wrong with a file. As an error it is always a *Fault.
type Fault struct {
	File   string // as the reader of the message knows it; "" until it is known (Name)
	Line   int    // 1-based; 0 when the whole file is meant
	Where  string // key, column or cell, "" when the line says enough
	What   string // what is wrong
	Remedy string // what would be right, "" when there is nothing to say
	Cause  error  // underlying error, nil when there is none
}

// String reads `platforms/kestrel-20t.yaml:12: engine.bore_mm: missing; give the cylinder bore in millimetres, e.g.
// 82.5`.
func (f Fault) String() string {
	var b strings.Builder
	b.WriteString(f.Place() + ": " + f.What)
	if f.Cause != nil {
		b.WriteString(": " + f.Cause.Error())
	}
	if f.Remedy != "" {
		b.WriteString("; " + f.Remedy)
	}
	return b.String()
}

// Place is file, line and key of the fault, as String begins: `platforms/kestrel-20t.yaml:12: engine.bore_mm`.
func (f Fault) Place() string {
	out := f.File
	if f.Line > 0 {
		out += fmt.Sprintf(":%d", f.Line)
	}
	if f.Where != "" {
		out += ": " + f.Where
	}
	return out
}

// Error is String.
func (f *Fault) Error() string { return f.String() }

// Unwrap returns the underlying error.
func (f *Fault) Unwrap() error { return f.Cause }

// Name gives the fault in err the file's name where it was found by something that does not know it, and returns err.
func Name(err error, file string) error {
	var f *Fault
	if errors.As(err, &f) && f.File == "" {
		f.File = file
	}
	return err
}

// Sorted puts faults in order of file, line and place, each once. The argument is rearranged.
func Sorted(faults []Fault) []Fault {
	slices.SortStableFunc(faults, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Where, b.Where),
			cmp.Compare(a.What, b.What), cmp.Compare(a.Remedy, b.Remedy))
	})
	return slices.Compact(faults)
}
