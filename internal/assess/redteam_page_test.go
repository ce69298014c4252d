package assess

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// redTeamPage is what docs/proof-judgement.md says of the hand-made revisions.
func redTeamPage() string {
	dangerous, harmless := dangerousRevisions(), harmlessRevisions()
	var b strings.Builder
	fmt.Fprintf(&b, "\n## Hand-made revisions\n\n%d revisions that no careful tuner would release (another fuel, "+
		"parts, cams, steps past a limit where\npulls go and where they do not, mistakes of unit and axis, little to "+
		"go by, broken sensors) and %d harmless\nones that must stay released, on fleets of six cars "+
		"(`internal/assess/redteam_test.go` and the files beside it,\npart of `go test ./...`).\n", len(dangerous),
		len(harmless))
	b.WriteString(shortOf("Of the dangerous", dangerous,
		"The others are kept away, and mistakes are called by their name."))
	b.WriteString(shortOf("Of the harmless", harmless, "The others are released."))
	return b.String()
}

// shortOf lists the cases that are not judged as they should be.
func shortOf(of string, cases []revisionCase, others string) string {
	open := slices.DeleteFunc(slices.Clone(cases), func(c revisionCase) bool { return !notYet[c.name] })
	if len(open) == 0 {
		return fmt.Sprintf("\n%s, none falls short.\n", of)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "\n%s, not judged so (%d):\n\n", of, len(open))
	for _, c := range open {
		fmt.Fprintf(&b, "- %s: %s\n", c.name, c.why)
	}
	fmt.Fprintf(&b, "\n%s\n", others)
	return b.String()
}

// The page says what the tests insist on.
func TestRedTeamPage(t *testing.T) {
	page, err := os.ReadFile(filepath.Join("..", "..", "docs", "proof-judgement.md"))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(string(page), redTeamPage()) {
		t.Errorf("docs/proof-judgement.md does not end with:\n%s", redTeamPage())
	}
}
