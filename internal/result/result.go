// Package result holds what every result is made of, whichever room makes it: a number that may be missing, an
// interval, an operating cell, how well something could be assessed, and the stamp that says what it was computed from.
// It answers how a missing number is written: as null, never as zero.
package result

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"

	"headroom/internal/metric"
	"headroom/models/channel"
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

// Status says how well something could be assessed.
type Status string

// Statuses.
const (
	Assessed    Status = "assessed"
	NotAssessed Status = "not_assessed"
	Thin        Status = "thin" // assessed, on less evidence than the workspace asks for
)

// Stamp says what a result was computed from, so that it can be computed again.
type Stamp struct {
	Schema          string `json:"schema"`
	ToolVersion     string `json:"tool_version"`
	WorkspaceDigest string `json:"workspace_digest"` // SHA-256 over workspace files and evidence, hex
	Seed            uint64 `json:"seed"`
}

// Missing is one thing that keeps something from being judged, and what would supply it.
type Missing struct {
	Channels []channel.ID `json:"channels"` // any one of them in a log; all of them in one pull where Together
	Together bool         `json:"together"` // each of the channels is logged somewhere, but never all in one pull
	Key      metric.Key   `json:"key"`      // of the platform file; "" for channels
	File     string       `json:"file"`     // that lacks the key, or holds another value
}

// Lack is why something could not be judged.
type Lack struct {
	Car      string    `json:"car"`      // whose logs alone were looked at; "" for those of all cars
	Missing  []Missing `json:"missing"`  // what is not there; empty where something else is wrong
	Unusable bool      `json:"unusable"` // all is there, but nowhere in a state it can be judged in
	Fault    string    `json:"fault"`    // what a model said when it refused its input, "" where it was not asked
}

// Reason is one typed fact that a verdict, a status or a caution rests on. It carries no words: internal/report says
// it, once, in the reader's units.
type Reason interface {
	// Code names the kind of fact for programs, in snake case.
	Code() string
}

// Reasons are facts in the order of their weight. In JSON each is an object of its fields with its code in front.
type Reasons []Reason

// MarshalJSON writes a list of objects; no list is written as an empty one.
func (r Reasons) MarshalJSON() ([]byte, error) {
	out := []byte{'['}
	for i, reason := range r {
		if i > 0 {
			out = append(out, ',')
		}
		body, err := plainJSON(reason)
		if err != nil {
			return nil, fmt.Errorf("reason %s: %w", reason.Code(), err)
		}
		out = append(out, `{"code":"`+reason.Code()+`"`...)
		if len(body) > len("{}") {
			out = append(out, ',')
		}
		out = append(out, body[1:]...)
	}
	return append(out, ']'), nil
}

// plainJSON is json.Marshal that leaves <, > and & in texts as they are.
func plainJSON(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return bytes.TrimRight(b.Bytes(), "\n"), err
}

// UnmarshalJSON passes reasons over: what was kept of a result is compared by its numbers.
func (r *Reasons) UnmarshalJSON([]byte) error {
	*r = nil
	return nil
}
