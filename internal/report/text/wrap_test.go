package text

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"headroom/internal/report/show"
)

// TestWrap: no line is wider than asked, and no character is lost but blanks.
func TestWrap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Clean(rapid.StringOf(rapid.RuneFrom([]rune("ab -_/.é日λ"+show.NBSP))).Draw(t, "s"))
		width := rapid.IntRange(2, 30).Draw(t, "width")
		lines := wrap(s, width)
		for _, l := range lines {
			if widthOf(l) > width {
				t.Fatalf("%q is wider than %d", l, width)
			}
		}
		bare := func(s string) string { return strings.ReplaceAll(s, " ", "") }
		if bare(strings.Join(lines, "")) != bare(s) {
			t.Fatalf("%q became %q", s, lines)
		}
	})
}
