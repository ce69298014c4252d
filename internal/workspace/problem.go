package workspace

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// String reads `platforms/kestrel-20t.yaml:12: engine.bore_mm: missing; give the cylinder bore in millimetres, e.g.
// 82.5`.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	b.WriteString(": ")
	if p.Where != "" {
		b.WriteString(p.Where + ": ")
	}
	b.WriteString(p.What)
	if p.Remedy != "" {
		b.WriteString("; " + p.Remedy)
	}
	return b.String()
}

// Error makes a Problem usable as an error where nothing can go on.
func (p Problem) Error() string { return p.String() }

func sortProblems(ps []Problem) []Problem {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Where, b.Where),
			cmp.Compare(a.What, b.What), cmp.Compare(a.Remedy, b.Remedy))
	})
	return slices.Compact(ps)
}
