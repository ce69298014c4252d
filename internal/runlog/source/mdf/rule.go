package mdf

import (
	"encoding/binary"
	"math"
	"sort"
)

// rule turns the numbers of a channel into readings (the standard's CC block). A nil rule leaves them as they are.
type rule struct {
	kind byte
	unit string
	left string // why it cannot be followed, "" when it can
	val  []float64
	ref  []outcome
}

// outcome is what a number stands for: a text, a rule that goes on from the number, or nothing.
type outcome struct {
	text string
	rule *rule
}

// Kinds of rules.
const (
	ruleSame = iota
	ruleLinear
	ruleRational
	ruleFormula
	ruleTable
	ruleNearest
	ruleRanges
	ruleTexts
	ruleRangeTexts
	ruleTextValues
	ruleTextTexts
	ruleBitTexts
)

// unfollowed are the rules that are not followed, and why.
var unfollowed = map[byte]string{
	ruleFormula:    "its conversion is a formula written as text",
	ruleTextValues: "its conversion begins from text",
	ruleTextTexts:  "its conversion begins from text",
	ruleBitTexts:   "its conversion makes text of single bits",
}

// ruleBook is the rules of a file by where they lie; nil for one that is being read.
type ruleBook struct {
	image *image
	known map[int64]*rule
}

// at reads the rule at a place, nil for none. Each is read once, however many channels share it.
func (b ruleBook) at(at int64, depth int) (*rule, error) {
	if at == 0 {
		return nil, nil
	}
	if r, ok := b.known[at]; ok {
		if r == nil {
			return nil, broken(at, "a conversion leads back to itself")
		}
		return r, nil
	}
	if depth == maxDepth {
		return nil, broken(at, "conversions are nested more than %d deep", maxDepth)
	}
	b.known[at] = nil
	cc, err := b.image.block(at, "CC", 4, 24)
	if err != nil {
		return nil, err
	}
	r := &rule{kind: cc.data[0]}
	if r.unit, err = b.image.text(cc.link[1]); err != nil {
		return nil, err
	}
	refs, vals := int(binary.LittleEndian.Uint16(cc.data[4:])), int(binary.LittleEndian.Uint16(cc.data[6:]))
	if len(cc.link) < 4+refs || len(cc.data) < 24+8*vals {
		return nil, broken(at, "a conversion has fewer values than it claims")
	}
	for i := range vals {
		r.val = append(r.val, math.Float64frombits(binary.LittleEndian.Uint64(cc.data[24+8*i:])))
	}
	if r.left = unfollowed[r.kind]; r.left == "" && r.kind > ruleBitTexts {
		r.left = "its conversion is of a kind that is not known"
	}
	if r.kind == ruleTexts || r.kind == ruleRangeTexts {
		for _, link := range cc.link[4 : 4+refs] {
			o, err := b.outcome(link, depth)
			if err != nil {
				return nil, err
			}
			r.ref = append(r.ref, o)
		}
	}
	if r.left == "" && !r.whole() {
		return nil, broken(at, "a conversion of kind %d has %d values and %d texts, which do not fit", r.kind, vals,
			refs)
	}
	if r.left == "" && !r.ascends() {
		r.left = "the keys of its conversion do not ascend"
	}
	b.known[at] = r
	return r, nil
}

// outcome reads what a link of a conversion to text leads to.
func (b ruleBook) outcome(at int64, depth int) (outcome, error) {
	if at == 0 {
		return outcome{}, nil
	}
	f, err := b.image.frame(at)
	if err != nil {
		return outcome{}, err
	}
	if f.id != "CC" {
		text, err := b.image.text(at)
		return outcome{text: text}, err
	}
	r, err := b.at(at, depth+1)
	return outcome{rule: r}, err
}

// whole reports whether a rule has the values that its kind needs.
func (r *rule) whole() bool {
	n := len(r.val)
	switch r.kind {
	case ruleLinear:
		return n >= 2
	case ruleRational:
		return n >= 6
	case ruleTable, ruleNearest:
		return n >= 2 && n%2 == 0
	case ruleRanges:
		return n%3 == 1
	case ruleTexts:
		return len(r.ref) == n+1
	case ruleRangeTexts:
		return n%2 == 0 && len(r.ref) == n/2+1
	}
	return true
}

// ascends reports whether the keys of a table come in order.
func (r *rule) ascends() bool {
	if r.kind != ruleTable && r.kind != ruleNearest {
		return true
	}
	for i := 2; i < len(r.val); i += 2 {
		if !(r.val[i-2] < r.val[i]) {
			return false
		}
	}
	return true
}

// apply is the reading that a number stands for: a number, or NaN with a text or without any. Ranges of whole numbers
// include their upper end, those of others do not.
func (r *rule) apply(x float64, whole bool) (float64, string) {
	if r == nil || math.IsNaN(x) {
		return x, ""
	}
	v := r.val
	switch r.kind {
	case ruleLinear:
		return float64(v[1]*x) + v[0], ""
	case ruleRational:
		square := float64(x * x)
		above := float64(v[0]*square) + float64(v[1]*x) + v[2]
		return above / (float64(v[3]*square) + float64(v[4]*x) + v[5]), ""
	case ruleTable:
		return r.between(x), ""
	case ruleNearest:
		return r.nearest(x), ""
	case ruleRanges:
		for i := 0; i+2 < len(v); i += 3 {
			if inRange(x, v[i], v[i+1], whole) {
				return v[i+2], ""
			}
		}
		return v[len(v)-1], ""
	case ruleTexts:
		for i, key := range v {
			if x == key {
				return r.ref[i].apply(x, whole)
			}
		}
		return r.ref[len(v)].apply(x, whole)
	case ruleRangeTexts:
		for i := 0; i+1 < len(v); i += 2 {
			if inRange(x, v[i], v[i+1], whole) {
				return r.ref[i/2].apply(x, whole)
			}
		}
		return r.ref[len(v)/2].apply(x, whole)
	}
	return x, ""
}

func (o outcome) apply(x float64, whole bool) (float64, string) {
	if o.rule != nil {
		if o.rule.left != "" {
			return math.NaN(), o.rule.left
		}
		return o.rule.apply(x, whole)
	}
	return math.NaN(), o.text
}

func inRange(x, low, high float64, whole bool) bool {
	return x >= low && (x < high || whole && x == high)
}

// above is the index of the first key above x, of keys and values by turns.
func (r *rule) above(x float64) int {
	return sort.Search(len(r.val)/2, func(i int) bool { return r.val[2*i] > x })
}

// between interpolates; beyond the ends the end's value stands.
func (r *rule) between(x float64) float64 {
	v, i := r.val, r.above(x)
	switch {
	case i == 0:
		return v[1]
	case 2*i == len(v) || x == v[2*i-2]:
		return v[2*i-1]
	}
	x0, y0, x1, y1 := v[2*i-2], v[2*i-1], v[2*i], v[2*i+1]
	return float64((y1-y0)/(x1-x0)*(x-x0)) + y0
}

// nearest takes the value of the nearest key, of two as near that of the lower.
func (r *rule) nearest(x float64) float64 {
	v, i := r.val, r.above(x)
	switch {
	case i == 0:
		return v[1]
	case 2*i == len(v) || x-v[2*i-2] <= v[2*i]-x:
		return v[2*i-1]
	}
	return v[2*i+1]
}
