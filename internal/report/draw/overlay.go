package draw

import (
	"fmt"
	"html"
	"html/template"
	"math"

	"headroom/internal/report/show"
	"headroom/models/value"
)

// MostOverlaid is how many curves one drawing can tell apart.
const MostOverlaid = 6

// Curve is a channel over part of a run: where its samples lie across the drawing, in order of time, their values and
// its limit there, each NaN where missing.
type Curve struct{ X, Values, Limits []float64 }

// Overlay is several curves of one channel on the same axes, at most MostOverlaid, in the stored unit.
type Overlay struct {
	Label  string // says in words what is drawn
	Curves []Curve
	Scale  show.Scale
}

// Across is the range that drawings of several channels share from left to right.
type Across struct{ axis timeAxis }

// NewAcross returns the range from the smallest to the largest position of curves; ok is false where they have none.
func NewAcross(curves []Curve) (a Across, ok bool) {
	a.axis = timeAxis{from: math.Inf(1), to: math.Inf(-1)}
	for _, c := range curves {
		for _, x := range c.X {
			if value.Known(x) {
				a.axis.from, a.axis.to = min(a.axis.from, x), max(a.axis.to, x)
			}
		}
	}
	return a, a.axis.to > a.axis.from
}

// Axis draws the numbers from left to right, in the unit named.
func (a Across) Axis(unit string) template.HTML {
	var g drawing
	g.add(`<svg class="series under" height="20" role="img" aria-label="Axis in %s">`, html.EscapeString(unit))
	all := ticks(a.axis.from, a.axis.to, 4)
	for _, v := range all {
		x := a.axis.percent(v)
		g.add(`<text class="tick %s" x="%s" y="14">%s</text>`, anchor(x), pct(x), show.Fixed(v, stepDecimals(all)))
	}
	g.add(`</svg>`)
	return template.HTML(g.String())
}

// overlayColumns is how many pixel columns a curve of an overlay is drawn for.
const overlayColumns = 160

// Draw draws the curves as their smallest and largest value a pixel column, each with a line of its own and all with
// their limit, and beside them the numbers of their axis. A limit that lies further from the curves than they reach is
// left out, so that they can still be read.
func (a Across) Draw(o Overlay) (scale, lines template.HTML) {
	low, high := o.reach()
	y := valueAxisOf(low*o.Scale.Factor+o.Scale.Offset, high*o.Scale.Factor+o.Scale.Offset)
	var g drawing
	g.add(`<svg class="series" role="img" aria-label="%s">`, html.EscapeString(o.Label))
	for _, v := range ticks(a.axis.from, a.axis.to, 4) {
		g.across("rule", a.axis.percent(v))
	}
	for _, v := range y.ticks {
		g.add(`<line class="rule" x1="0" x2="100%%" y1="%s" y2="%s"/>`, pct(y.percent(v)), pct(y.percent(v)))
	}
	g.add(`<svg viewBox="0 0 %d %d" preserveAspectRatio="none" width="100%%" height="100%%">`,
		overlayColumns*subColumns, traceHeight)
	for i, c := range o.Curves {
		line, dots := a.axis.path(c.X, within(c.Limits, low, high), nil, o.Scale, y, overlayColumns)
		g.stroke("limit-line", line, dots)
		line, dots = a.axis.path(c.X, c.Values, nil, o.Scale, y, overlayColumns)
		g.stroke(fmt.Sprintf("trace over%d", i+1), line, dots)
	}
	g.add(`</svg>`)
	g.add(`</svg>`)
	return y.labels(), template.HTML(g.String())
}

// stroke adds a line and its dots where there are any.
func (g *drawing) stroke(class, line, dots string) {
	if line != "" {
		g.add(`<path class="%s" d="%s"/>`, class, line)
	}
	if dots != "" {
		g.add(`<path class="%s dot" d="%s"/>`, class, dots)
	}
}

// reach is the range of the values, and of limits that lie no further from it than it is wide.
func (o *Overlay) reach() (low, high float64) {
	low, high = math.NaN(), math.NaN()
	widen := func(v float64) {
		if value.Known(v) {
			low, high = math.Min(value.Or(low, v), v), math.Max(value.Or(high, v), v)
		}
	}
	for _, c := range o.Curves {
		for _, v := range c.Values {
			widen(v)
		}
	}
	from, to := low-(high-low), high+(high-low)
	for _, c := range o.Curves {
		for _, v := range c.Limits {
			if v >= from && v <= to {
				widen(v)
			}
		}
	}
	return low, high
}

// within are values without those outside a range.
func within(values []float64, low, high float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = v
		if !(v >= low && v <= high) {
			out[i] = math.NaN()
		}
	}
	return out
}

// Pen draws the line that a curve of an overlay has, for a legend; i counts from 0.
func Pen(i int) template.HTML {
	return template.HTML(fmt.Sprintf(`<svg class="pen" width="34" height="10" aria-hidden="true">`+
		`<line class="trace over%d" x1="1" x2="33" y1="5" y2="5"/></svg>`, i+1))
}
