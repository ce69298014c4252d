// Package result holds what every result is made of, whichever room makes it: a number that may be missing, an
// interval, an operating cell, how well something could be assessed, and the stamp that says what it was computed from.
// It answers how a missing number is written: as null, never as zero.
package result

import (
	"encoding/json"
	"math"
)

// Number is a float64 that is written as null in JSON when it is not finite: missing is shown as missing.
type Number float64

// Unknown is a number that is not known.
func Unknown() Number { return Number(math.NaN()) }

// MarshalJSON writes a finite number, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Known() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// UnmarshalJSON reads a number, or NaN from null.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Unknown()
		return nil
	}
	return json.Unmarshal(b, (*float64)(n))
}

// Known reports whether the number is finite.
func (n Number) Known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// Span is a closed interval [low, high] in the unit that stands beside it.
type Span [2]Number

// UnknownSpan is an interval of which neither end is known.
func UnknownSpan() Span { return Span{Unknown(), Unknown()} }

// Cell is an operating cell.
type Cell struct {
	RPM     Span `json:"rpm"`
	LoadPct Span `json:"load_pct"`
}

// Status of what was assessed, or not.
const (
	Assessed    = "assessed"
	NotAssessed = "not_assessed"
	Thin        = "thin" // assessed, on less evidence than the workspace asks for
)

// Stamp says what a result was computed from, so that it can be computed again.
type Stamp struct {
	Schema          string `json:"schema"`
	ToolVersion     string `json:"tool_version"`
	WorkspaceDigest string `json:"workspace_digest"` // SHA-256 over workspace files and evidence, hex
	Seed            uint64 `json:"seed"`
}
