package draw

import (
	"html"
	"html/template"
	"math"

	"headroom/internal/result"
)

// Strips are small drawings in one line, which stand beside a number in a table.

const stripWidth, stripHeight = 170.0, 26.0

func (g *drawing) stripHead(height float64, label string) {
	g.add(`<svg class="strip" viewBox="0 0 %g %g" role="img" aria-label="%s">`, stripWidth, height,
		html.EscapeString(label))
}

// Reading is a predicted value at a glance, all in one unit: the prediction with its 90 % interval, the limit, how far
// it is inside the limit (negative: past it), and the limit of the fleet envelope.
type Reading struct {
	Predicted, Limit, Margin, Envelope result.Number
	Interval90                         result.Span
}

// ReadingStrip draws a reading on a scale of its own under a label in words. It is empty when prediction or limit is
// not known.
func ReadingStrip(label string, r Reading) template.HTML {
	if !r.Predicted.Known() || !r.Limit.Known() {
		return ""
	}
	low, high := r.Predicted, r.Predicted
	if r.Interval90[0].Known() && r.Interval90[1].Known() {
		low, high = min(low, r.Interval90[0]), max(high, r.Interval90[1])
	}
	from, to := min(low, r.Limit), max(high, r.Limit)
	if r.Envelope.Known() {
		from, to = min(from, r.Envelope), max(to, r.Envelope)
	}
	if to == from {
		to = from + 1
	}
	pad := 0.08 * float64(to-from)
	fr := frame{left: 2, right: stripWidth - 2, x0: float64(from) - pad, x1: float64(to) + pad}
	x := func(n result.Number) float64 { return fr.x(float64(n)) }
	mid := stripHeight / 2
	var g drawing
	g.stripHead(stripHeight, label)
	if above, ok := r.pastAbove(); ok && above {
		g.rect("past", x(r.Limit), 2, fr.right-x(r.Limit), stripHeight-4)
	} else if ok {
		g.rect("past", fr.left, 2, x(r.Limit)-fr.left, stripHeight-4)
	}
	g.line("rule", fr.left, mid, fr.right, mid)
	g.rect("band", x(low), mid-5, x(high)-x(low), 10)
	g.line("limit", x(r.Limit), 2, x(r.Limit), stripHeight-2)
	if r.Envelope.Known() {
		g.diamond("envelope", x(r.Envelope), mid, 4.5)
	}
	g.dot("revision-dot", x(r.Predicted), mid, 4)
	g.add(`</svg>`)
	return template.HTML(g.String())
}

// pastAbove reports on which side of the limit the limit is crossed: a positive margin below it means above. It
// cannot tell when prediction and limit coincide or the margin is not known.
func (r Reading) pastAbove() (above, ok bool) {
	if !r.Margin.Known() || r.Margin == 0 || r.Predicted == r.Limit {
		return false, false
	}
	return (r.Predicted < r.Limit) == (r.Margin > 0), true
}

// CountStrip draws an expected count with its 90 % interval between none and all of them, under a label in words. It is
// empty when there are none to count or the expected count is not known.
func CountStrip(label string, all int, expected result.Number, interval90 result.Span) template.HTML {
	if all == 0 || !expected.Known() {
		return ""
	}
	fr := frame{left: 6, right: stripWidth - 6, x0: 0, x1: float64(all)}
	mid := stripHeight / 2
	var g drawing
	g.stripHead(stripHeight, label)
	g.line("rule", fr.left, mid, fr.right, mid)
	g.line("rule", fr.left, 4, fr.left, stripHeight-4)
	g.line("rule", fr.right, 4, fr.right, stripHeight-4)
	if interval90[0].Known() && interval90[1].Known() {
		low, high := fr.x(float64(interval90[0])), fr.x(float64(interval90[1]))
		g.rect("band", low, mid-5, high-low, 10)
	}
	g.dot("revision-dot", fr.x(float64(expected)), mid, 4)
	g.add(`</svg>`)
	return template.HTML(g.String())
}

// Chance is a probability from 0 to 1 with its 90 % interval.
type Chance struct {
	PerPull    result.Number
	Interval90 result.Span
}

// leastDrawn is the smallest chance, and one minus it the largest, that a pair of strips tells apart; both are the
// smallest that the report prints.
const leastDrawn = 0.001

// logOdds stretches chances near none and near all, where a linear scale shows nothing.
func logOdds(p result.Number) float64 {
	v := min(max(float64(p), leastDrawn), 1-leastDrawn)
	return math.Log(v / (1 - v))
}

// PairStrip draws two chances one above the other on one scale, under a label in words; one that is not known is left
// out. It is empty when neither is known.
func PairStrip(label string, left, right Chance) template.HTML {
	if !left.PerPull.Known() && !right.PerPull.Known() {
		return ""
	}
	fr := frame{left: 6, right: stripWidth - 6, x0: logOdds(0), x1: logOdds(1)}
	x := func(p result.Number) float64 { return fr.x(logOdds(p)) }
	const high = stripHeight + 6
	var g drawing
	g.stripHead(high, label)
	for _, p := range []result.Number{0, 0.01, 0.1, 0.5, 0.9, 0.99, 1} {
		g.line("rule", x(p), 1, x(p), high-1)
	}
	for _, side := range []struct {
		class string
		y     float64
		of    Chance
	}{{"parent", 9, left}, {"revision", high - 9, right}} {
		if !side.of.PerPull.Known() {
			continue
		}
		g.line("rule", fr.left, side.y, fr.right, side.y)
		if low, up := side.of.Interval90[0], side.of.Interval90[1]; low.Known() && up.Known() {
			g.rect("band", x(low), side.y-4, x(up)-x(low), 8)
		}
		g.dot(side.class+"-dot", x(side.of.PerPull), side.y, 3.5)
	}
	g.add(`</svg>`)
	return template.HTML(g.String())
}
