package report

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strconv"
	"strings"

	"headroom/internal/ingest"
	"headroom/internal/report/show"
	"headroom/internal/runlog"
	"headroom/models/value"
)

// timeAxis is the time all drawings of a run share, in seconds.
type timeAxis struct{ from, to float64 }

// percent is a time as a share of the width.
func (a timeAxis) percent(t float64) float64 {
	return min(max(100*(t-a.from)/(a.to-a.from), 0), 100)
}

func (a timeAxis) ticks() []float64 { return ticks(a.from, a.to, 10) }

// pct is a share of the width or height with two decimals.
func pct(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) + "%" }

// across draws a line from top to bottom.
func (g *drawing) across(class string, at float64) {
	g.add(`<line class="%s" x1="%s" x2="%s" y1="0" y2="100%%"/>`, class, pct(at), pct(at))
}

// shades marks the segments, and the holes of the log, behind a line.
func (a timeAxis) shades(segments []ingest.SegmentSummary, gaps []runlog.Finding) string {
	var g drawing
	for _, f := range gaps {
		from, to := a.percent(f.From), a.percent(f.To)
		g.add(`<rect class="past" x="%s" y="0" width="%s" height="100%%"><title>%s</title></rect>`, pct(from),
			pct(to-from), html.EscapeString("no rows, "+stretch(f.From, f.To)))
	}
	numbered(segments, func(s ingest.SegmentSummary, name string) {
		from, to := a.percent(s.From), a.percent(s.To)
		g.add(`<rect class="%s" x="%s" y="0" width="%s" height="100%%"><title>%s</title></rect>`, shadeClass(s.Kind),
			pct(from), pct(to-from),
			html.EscapeString(name+", "+stretch(s.From, s.To)+speedSpan(s)))
	})
	return g.String()
}

// numbered calls do for each segment that has a place in time, with its name: the kind and its number among its kind.
func numbered(segments []ingest.SegmentSummary, do func(s ingest.SegmentSummary, name string)) {
	seen := map[string]int{}
	for _, s := range segments {
		seen[s.Kind]++
		if value.Known(s.From) && value.Known(s.To) {
			do(s, plain(s.Kind)+" "+strconv.Itoa(seen[s.Kind]))
		}
	}
}

func shadeClass(kind string) string {
	if kind == kindPull {
		return "pull"
	}
	return "steady"
}

func speedSpan(s ingest.SegmentSummary) string {
	if !value.Known(s.RPMFrom) || !value.Known(s.RPMTo) {
		return ""
	}
	if math.Abs(s.RPMTo-s.RPMFrom) < steadySpan {
		return ", " + show.Fixed((s.RPMFrom+s.RPMTo)/2, 0) + show.NBSP + "rpm"
	}
	return ", " + show.Fixed(s.RPMFrom, 0) + "–" + show.Fixed(s.RPMTo, 0) + show.NBSP + "rpm"
}

// steadySpan is the change of engine speed from end to end, rpm, below which one speed is named instead of two.
const steadySpan = 50

// marks draws where the findings are: a bar on top, a light shade below it where it tells one stretch from another, and
// the number that is listed under the drawing where there is room for it.
func (a timeAxis) marks(g *drawing, findings []runlog.Finding, top, number int) {
	last := math.Inf(-1)
	for i, f := range findings[:min(len(findings), mostMarks)] {
		from, to := a.percent(f.From), a.percent(max(f.From, f.To))
		g.add(`<g><title>%s</title>`, html.EscapeString(clean(plain(f.Kind)+", "+stretch(f.From, f.To)+": "+f.Detail)))
		if to-from < mostShaded && top == 0 {
			g.add(`<rect class="doubt-span" x="%s" y="0" width="%s" height="100%%"/>`, pct(from), pct(to-from))
		}
		class := "doubt-bar"
		if to-from >= mostShaded {
			class = "doubt-bar wide-doubt"
		}
		g.add(`<rect class="%s" x="%s" y="%d" width="%s" height="3"/></g>`, class, pct(from), top, pct(to-from))
		if i >= mostDoubts || from-last < leastMarkGap {
			continue
		}
		last = from
		side, shift := "start", 2
		if from > 97 {
			side, shift = "end", -2
		}
		g.add(`<text class="doubt-number %s" x="%s" y="%d" dx="%d">%d</text>`, side, pct(from), number, shift, i+1)
	}
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
// with nothing on either side is a dot.
func (a timeAxis) path(times, values []float64, gaps []runlog.Finding, s show.Scale, y valueAxis) (line, dots string) {
	var p pen
	var first, low, high spot
	column, broken, next := -1, true, 0 // next: the next gap
	for i, v := range values {
		for next < len(gaps) && gaps[next].To <= times[i] {
			broken = true
			next++
		}
		if !value.Known(v) {
			broken = true
			continue
		}
		at := spot{
			x: int(a.percent(times[i])/100*(traceColumns*subColumns-1) + 0.5),
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
