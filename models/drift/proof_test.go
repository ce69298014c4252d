package drift

import (
	"os"
	"strings"
	"testing"
)

// TestProofDrift measures false alarms and what is found and writes docs/proof-drift.md. Run it with
//
//	HEADROOM_PROOF=1 go test -run Proof ./models/drift
//
// TestLawsKeepTheFalseAlarmRate and TestLawsFindFaults are its small version.
func TestProofDrift(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") == "" {
		t.Skip("set HEADROOM_PROOF=1")
	}
	const seed = 20260302
	var b strings.Builder
	b.WriteString("# Proof: false alarms and faults found of the drift charts\n\n" +
		"Written by `HEADROOM_PROOF=1 go test -run Proof ./models/drift`.\n\n")
	lawProof(t, &b, seed)
	if err := os.WriteFile("../../docs/proof-drift.md", []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}
