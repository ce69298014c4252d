package draw

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strings"

	"headroom/internal/report/show"
	"headroom/models/value"
)

const (
	traceColumns  = 960  // pixel columns a line is drawn for
	subColumns    = 10   // steps in a column, for logs with fewer samples than columns
	traceHeight   = 1000 // units of the drawing of a line, top to bottom
	traceHeadroom = 0.16 // share of the height kept free for marks above the line
	traceFootroom = 0.06
)

// Series is one channel over time: its values at the times of the timeline, NaN where missing, the smallest and the
// largest of them, NaN without any, and the scale they are shown in. Values and range are in the stored unit.
type Series struct {
	Label     string // says in words what is drawn
	Values    []float64
	Low, High float64
	Scale     show.Scale
	Marks     []Mark // what was found in this channel, by time
	Unread    bool   // it is a column that is left out
}

// Series draws a channel as its smallest and largest value a pixel column, and beside it the numbers of its axis.
func (t *Timeline) Series(s Series) (scale, line template.HTML) {
	y := valueAxisOf(s.Low*s.Scale.Factor+s.Scale.Offset, s.High*s.Scale.Factor+s.Scale.Offset)
	var g drawing
	g.add(`<svg class="series" role="img" aria-label="%s">`, html.EscapeString(s.Label))
	g.WriteString(t.shade)
	for _, v := range t.axis.ticks() {
		g.across("rule", t.axis.percent(v))
	}
	for _, v := range y.ticks {
		g.add(`<line class="rule" x1="0" x2="100%%" y1="%s" y2="%s"/>`, pct(y.percent(v)), pct(y.percent(v)))
	}
	t.axis.marks(&g, s.Marks, t.numbered, 0, 15)
	path, dots := t.axis.path(t.times, s.Values, t.gaps, s.Scale, y, traceColumns)
	g.add(`<svg viewBox="0 0 %d %d" preserveAspectRatio="none" width="100%%" height="100%%">`, traceColumns*subColumns,
		traceHeight)
	class := "trace"
	if s.Unread {
		class = "trace unread"
	}
	g.stroke(class, path, dots)
	g.add(`</svg>`)
	g.add(`</svg>`)
	return y.labels(), template.HTML(g.String())
}

// valueAxis is the range of a drawing in shown units.
type valueAxis struct {
	low, high float64
	ticks     []float64
	decimals  int
}

// valueAxisOf leaves room above the line for marks. A value that never changes is its own only tick; without a value
// there is none.
func valueAxisOf(low, high float64) valueAxis {
	if !value.Known(low) || !value.Known(high) {
		return valueAxis{low: 0, high: 1}
	}
	var y valueAxis
	if low == high {
		y.ticks = []float64{low}
		for y.decimals < 3 && math.Abs(low-math.Round(low*math.Pow10(y.decimals))/math.Pow10(y.decimals)) > 1e-6 {
			y.decimals++
		}
		span := max(0.02*math.Abs(high), 1e-3)
		low, high = low-span/2, high+span/2
	} else {
		y.ticks = ticks(low, high, 4)
		y.decimals = stepDecimals(y.ticks)
	}
	span, share := high-low, 1-traceHeadroom-traceFootroom
	y.low, y.high = low-span*traceFootroom/share, high+span*traceHeadroom/share
	return y
}

// percent is a value as a share of the height from the top.
func (y valueAxis) percent(v float64) float64 { return 100 * (y.high - v) / (y.high - y.low) }

// labels is the drawing of the numbers beside the line.
func (y valueAxis) labels() template.HTML {
	var g drawing
	g.add(`<svg class="scale" aria-hidden="true">`)
	for _, v := range y.ticks {
		g.add(`<text class="end" x="100%%" y="%s" dx="-6" dy="4">%s</text>`, pct(y.percent(v)),
			show.Fixed(v, y.decimals))
	}
	g.add(`</svg>`)
	return template.HTML(g.String())
}

// path draws a line as the smallest and the largest value of each pixel column, in the order they came. It is broken
// where a value is missing and where the log has a hole, unless that begins and ends within one pixel column; a value
// with nothing on either side is a dot. columns is how many pixel columns there are.
func (a timeAxis) path(times, values []float64, gaps []Mark, s show.Scale, y valueAxis, columns int) (line,
	dots string) {
	var p pen
	var first, low, high spot
	column, broken, next := -1, true, 0 // next: the next gap
	for i, v := range values {
		for next < len(gaps) && gaps[next].To <= times[i] {
			broken = true
			next++
		}
		if !value.Known(v) || !value.Known(times[i]) {
			broken = true
			continue
		}
		at := spot{
			x: int(a.percent(times[i])/100*float64(columns*subColumns-1) + 0.5),
			y: int(y.percent(v*s.Factor+s.Offset)/100*traceHeight + 0.5), order: i,
		}
		if c := at.x / subColumns; c != column {
			if column >= 0 {
				p.stroke(first, low, high)
			}
			column, first, low, high = c, at, at, at
			first.lifted = broken
		}
		broken = false
		if at.y > low.y {
			low = at
		}
		if at.y < high.y {
			high = at
		}
	}
	if column >= 0 {
		p.stroke(first, low, high)
	}
	p.lift()
	return p.line.String(), p.dots.String()
}

// spot is a place in a line's drawing; order tells which of two came first, lifted that nothing leads up to it.
type spot struct {
	x, y, order int
	lifted      bool
}

// pen writes lines with relative steps, which are short, and keeps samples with nothing on either side apart.
type pen struct {
	line, dots strings.Builder
	at         spot
	alone      bool // nothing has been drawn since the pen was lifted
}

// stroke draws one pixel column: its lowest and highest spot in their order, joined to the column before unless its
// first spot is lifted.
func (p *pen) stroke(first, low, high spot) {
	a, b := low, high
	if b.order < a.order {
		a, b = b, a
	}
	if first.lifted {
		p.lift()
		p.at, p.alone = a, true
	}
	p.to(a)
	p.to(b)
}

func (p *pen) to(s spot) {
	dx, dy := s.x-p.at.x, s.y-p.at.y
	if dx == 0 && dy == 0 {
		return
	}
	if p.alone {
		fmt.Fprintf(&p.line, "M%d %d", p.at.x, p.at.y)
	}
	fmt.Fprintf(&p.line, "l%d %d", dx, dy)
	p.at, p.alone = s, false
}

// lift ends a piece; one that never left its spot is a dot.
func (p *pen) lift() {
	if p.alone {
		fmt.Fprintf(&p.dots, "M%d %dh0", p.at.x, p.at.y)
	}
	p.alone = false
}
