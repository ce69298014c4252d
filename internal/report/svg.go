package report

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"

	"headroom/internal/assess"
	"headroom/internal/report/show"
	"headroom/internal/result"
	"headroom/models/value"
)

// Plots are written directly as SVG: a line, a band, some marks and labels need no plotting library, and colours come
// from the page's style sheet, so that one drawing serves light, dark and print. Sizes are in SVG user units.

// plot is a finished drawing with its heading, or a note why there is none.
type plot struct {
	Title, Note string
	SVG         template.HTML
}

// frame maps data to the drawing.
type frame struct {
	left, right, top, bottom float64 // of the plotting area
	x0, x1, y0, y1           float64 // data range
}

func (f frame) x(v float64) float64 { return f.left + (v-f.x0)/(f.x1-f.x0)*(f.right-f.left) }
func (f frame) y(v float64) float64 { return f.bottom - (v-f.y0)/(f.y1-f.y0)*(f.bottom-f.top) }

// drawing collects SVG elements.
type drawing struct{ strings.Builder }

func (g *drawing) add(format string, args ...any) { fmt.Fprintf(g, format+"\n", args...) }

// px is a coordinate with one decimal.
func px(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

func (g *drawing) line(class string, x1, y1, x2, y2 float64) {
	g.add(`<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`, class, px(x1), px(y1), px(x2), px(y2))
}

func (g *drawing) rect(class string, x, y, w, h float64) {
	g.add(`<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, px(x), px(y), px(max(w, 0)), px(max(h, 0)))
}

func (g *drawing) text(class string, x, y float64, s string) {
	g.add(`<text class="%s" x="%s" y="%s">%s</text>`, class, px(x), px(y), html.EscapeString(s))
}

func (g *drawing) diamond(class string, x, y, r float64) {
	g.add(`<path class="%s" d="M%s %sL%s %sL%s %sL%s %sZ"/>`, class, px(x), px(y-r), px(x+r), px(y), px(x), px(y+r),
		px(x-r), px(y))
}

// path joins points in a shape; close makes it an area.
func (g *drawing) path(class string, points [][2]float64, closed bool) {
	var d strings.Builder
	for i, p := range points {
		letter := "L"
		if i == 0 {
			letter = "M"
		}
		d.WriteString(letter + px(p[0]) + " " + px(p[1]))
	}
	if closed {
		d.WriteByte('Z')
	}
	g.add(`<path class="%s" d="%s"/>`, class, d.String())
}

const (
	plotWidth, plotHeight = 540.0, 310.0
	labelGap              = 15.0 // between labels at the right edge
	carsGap               = 26.0 // between the numbers of the cars row
)

// plotOf draws the margin of one hazard over engine speed.
func plotOf(c *assess.Curve, d show.Display) plot {
	s := d.Step(c.Unit)
	points := scaled(c.Points, s.Factor)
	title := curveTitle(c)
	f, ok := frameOf(points)
	if !ok {
		return plot{Title: title, Note: "No margin is known at any speed."}
	}
	var g drawing
	g.add(`<svg class="plot" viewBox="0 0 %g %g" role="img" aria-label="%s">`, plotWidth, plotHeight,
		html.EscapeString(title+", margin over engine speed"))
	g.add(`<title>%s</title>`, html.EscapeString(title+", margin over engine speed"))
	g.add(`<desc>%s</desc>`, html.EscapeString(describe(c, d)))
	g.axes(f, points, s.Name)
	g.curves(f, points)
	g.add(`</svg>`)
	return plot{Title: title, SVG: template.HTML(g.String())}
}

// scaled is the points in display units, in order of speed; points without a speed are left out.
func scaled(points []assess.CurvePoint, factor float64) []assess.CurvePoint {
	var out []assess.CurvePoint
	for _, p := range points {
		if !value.Known(p.RPM) {
			continue
		}
		p.Margin, p.Low, p.High, p.Parent = p.Margin*factor, p.Low*factor, p.High*factor, p.Parent*factor
		p.Envelope *= result.Number(factor)
		out = append(out, p)
	}
	slices.SortStableFunc(out, func(a, b assess.CurvePoint) int {
		switch {
		case a.RPM < b.RPM:
			return -1
		case a.RPM > b.RPM:
			return 1
		}
		return 0
	})
	return out
}

// describe tells a plot in words: the lowest margin and where it is.
func describe(c *assess.Curve, d show.Display) string {
	lowest := -1
	for i, p := range c.Points {
		if value.Known(p.Margin) && (lowest < 0 || p.Margin < c.Points[lowest].Margin) {
			lowest = i
		}
	}
	if lowest < 0 {
		return "No margin is known at any speed."
	}
	p := c.Points[lowest]
	return fmt.Sprintf("The smallest margin is %s at %s; 90 of 100 pulls fall in %s. Parent there: %s.",
		d.Difference(result.Number(p.Margin), c.Unit), d.Value(result.Number(p.RPM), "rpm"),
		d.Differences(result.Span{result.Number(p.Low), result.Number(p.High)}, c.Unit),
		d.Difference(result.Number(p.Parent), c.Unit))
}

// frameOf finds the data range. Zero, the limit, is always inside, with room below it.
func frameOf(points []assess.CurvePoint) (frame, bool) {
	f := frame{left: 50, right: plotWidth - 84, top: 34, bottom: plotHeight - 58, x0: math.Inf(1), x1: math.Inf(-1)}
	any := false
	for _, p := range points {
		f.x0, f.x1 = min(f.x0, p.RPM), max(f.x1, p.RPM)
		for _, v := range []float64{p.Margin, p.Low, p.High, p.Parent, float64(p.Envelope)} {
			if value.Known(v) {
				f.y0, f.y1 = min(f.y0, v), max(f.y1, v)
				any = true
			}
		}
	}
	if !any {
		return f, false
	}
	if f.x1 == f.x0 {
		f.x0, f.x1 = f.x0-500, f.x1+500
	}
	side := 0.03 * (f.x1 - f.x0)
	f.x0, f.x1 = f.x0-side, f.x1+side
	span := f.y1 - f.y0
	if span == 0 {
		span = 1
	}
	f.y0 -= 0.1 * span
	f.y1 += 0.06 * span
	return f, true
}

// ticks are round values inside [low, high], about n of them.
func ticks(low, high float64, n int) []float64 {
	raw := (high - low) / float64(n)
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * power
	for _, m := range []float64{1, 2, 5} {
		if raw <= m*power {
			step = m * power
			break
		}
	}
	var out []float64
	for k := math.Ceil(low / step); k*step <= high+step*1e-9; k++ {
		out = append(out, k*step)
	}
	return out
}

func (g *drawing) axes(f frame, points []assess.CurvePoint, unit string) {
	g.rect("field", f.left, f.top, f.right-f.left, f.bottom-f.top)
	if below := f.bottom - f.y(0); below > 0 {
		g.rect("past", f.left, f.y(0), f.right-f.left, below)
	}
	ys := ticks(f.y0, f.y1, 7)
	n := 0
	if len(ys) > 1 {
		n = max(0, int(math.Ceil(-math.Log10(ys[1]-ys[0])-1e-9)))
	}
	for _, v := range ys {
		g.line("rule", f.left, f.y(v), f.right, f.y(v))
		g.text("tick end", f.left-6, f.y(v)+4, show.Fixed(v, n))
	}
	for _, v := range ticks(f.x0, f.x1, 7) {
		g.line("rule", f.x(v), f.bottom, f.x(v), f.bottom+4)
		g.text("tick middle", f.x(v), f.bottom+18, show.Fixed(v, 0))
	}
	label := "margin"
	if unit != "" {
		label += ", " + unit
	}
	g.text("axis", 6, 16, label)
	g.text("tick", f.right+6, f.bottom+18, "rpm")
	g.carsRow(f, points)
}

// carsRow prints how many cars stand behind a point, as many numbers as there is room for.
func (g *drawing) carsRow(f frame, points []assess.CurvePoint) {
	y := f.bottom + 40
	g.text("tick end", f.left-6, y, "cars")
	last := math.Inf(-1)
	for _, p := range points {
		if x := f.x(p.RPM); x-last >= carsGap {
			g.text("cars middle", x, y, strconv.Itoa(p.Cars))
			last = x
		}
	}
}

// runs cuts points into stretches over which known is true.
func runs(points []assess.CurvePoint, known func(assess.CurvePoint) bool) [][]assess.CurvePoint {
	var out [][]assess.CurvePoint
	open := false
	for _, p := range points {
		if !known(p) {
			open = false
			continue
		}
		if !open {
			out = append(out, nil)
			open = true
		}
		out[len(out)-1] = append(out[len(out)-1], p)
	}
	return out
}

func (g *drawing) curves(f frame, points []assess.CurvePoint) {
	for _, run := range runs(points, func(p assess.CurvePoint) bool {
		return value.Known(p.Low) &&
			value.Known(p.High)
	}) {
		g.band(f, run)
	}
	g.line("limit", f.left, f.y(0), f.right, f.y(0))
	labels := []label{{class: "limit-label", name: "limit", x: f.right, y: f.y(0)}}
	labels = append(labels, g.trace(f, points, "parent", func(p assess.CurvePoint) float64 { return p.Parent })...)
	labels = append(labels, g.trace(f, points, "revision", func(p assess.CurvePoint) float64 { return p.Margin })...)
	last := -1
	for i, p := range points {
		if p.Envelope.Known() {
			g.diamond("envelope", f.x(p.RPM), f.y(float64(p.Envelope)), 5)
			last = i
		}
	}
	if last >= 0 {
		x, y := f.x(points[last].RPM), f.y(float64(points[last].Envelope))
		if f.right-x > 90 {
			g.text("envelope-label halo", x+6, y+16, "envelope")
		} else {
			labels = append(labels, label{class: "envelope-label", name: "◇ envelope", x: x + 6, y: y})
		}
	}
	g.labels(f, labels)
}

func (g *drawing) band(f frame, run []assess.CurvePoint) {
	if len(run) == 1 {
		x := f.x(run[0].RPM)
		g.rect("band", x-4, f.y(run[0].High), 8, f.y(run[0].Low)-f.y(run[0].High))
		return
	}
	var outline [][2]float64
	for _, p := range run {
		outline = append(outline, [2]float64{f.x(p.RPM), f.y(p.High)})
	}
	for i := len(run) - 1; i >= 0; i-- {
		outline = append(outline, [2]float64{f.x(run[i].RPM), f.y(run[i].Low)})
	}
	g.path("band", outline, true)
}

// trace draws one line, broken where it is not known, and returns its label.
func (g *drawing) trace(f frame, points []assess.CurvePoint, name string, of func(assess.CurvePoint) float64) []label {
	var last *assess.CurvePoint
	for _, run := range runs(points, func(p assess.CurvePoint) bool { return value.Known(of(p)) }) {
		last = &run[len(run)-1]
		if len(run) > 1 {
			var line [][2]float64
			for _, p := range run {
				line = append(line, [2]float64{f.x(p.RPM), f.y(of(p))})
			}
			g.path(name, line, false)
		}
		if len(run) == 1 || name == "revision" {
			for _, p := range run {
				g.add(`<circle class="%s-dot" cx="%s" cy="%s" r="3"/>`, name, px(f.x(p.RPM)), px(f.y(of(p))))
			}
		}
	}
	if last == nil {
		return nil
	}
	return []label{{class: name + "-label", name: name, x: f.x(last.RPM), y: f.y(of(*last))}}
}

// label names a line where it ends.
type label struct {
	class, name string
	x, y        float64
}

// labels sets the names at the right edge, apart from each other, with a thin leader where one had to move.
func (g *drawing) labels(f frame, ls []label) {
	slices.SortStableFunc(ls, func(a, b label) int {
		if a.y < b.y {
			return -1
		}
		if a.y > b.y {
			return 1
		}
		return 0
	})
	at := make([]float64, len(ls))
	for i, l := range ls {
		at[i] = min(max(l.y, f.top+6), f.bottom-4)
		if i > 0 {
			at[i] = max(at[i], at[i-1]+labelGap)
		}
	}
	for i := len(at) - 1; i >= 0; i-- {
		if i == len(at)-1 {
			at[i] = min(at[i], f.bottom-4)
		} else {
			at[i] = min(at[i], at[i+1]-labelGap)
		}
	}
	for i, l := range ls {
		if math.Abs(at[i]-l.y) > 2 || f.right-l.x > 8 {
			g.line("leader", l.x, l.y, f.right+6, at[i])
		}
		g.text(l.class, f.right+9, at[i]+4, l.name)
	}
}

// strip is a finding at a glance: prediction, 90 % interval, limit and envelope on one line.
type strip struct{ SVG template.HTML }

const stripWidth, stripHeight = 170.0, 26.0

// stripOf draws a finding on its metric's own scale, or returns nil when prediction or limit is not known.
func stripOf(f *assess.Finding, d show.Display) *strip {
	if !f.Predicted.Known() || !f.Limit.Known() {
		return nil
	}
	low, high := f.Predicted, f.Predicted
	if f.Interval90[0].Known() && f.Interval90[1].Known() {
		low, high = min(low, f.Interval90[0]), max(high, f.Interval90[1])
	}
	from, to := min(low, f.Limit), max(high, f.Limit)
	if f.Envelope.Limit.Known() {
		from, to = min(from, f.Envelope.Limit), max(to, f.Envelope.Limit)
	}
	if to == from {
		to = from + 1
	}
	pad := 0.08 * float64(to-from)
	fr := frame{left: 2, right: stripWidth - 2, x0: float64(from) - pad, x1: float64(to) + pad}
	x := func(n result.Number) float64 { return fr.x(float64(n)) }
	mid := stripHeight / 2
	var g drawing
	g.add(`<svg class="strip" viewBox="0 0 %g %g" role="img" aria-label="%s">`, stripWidth, stripHeight,
		html.EscapeString(fmt.Sprintf("predicted %s, limit %s", d.Value(f.Predicted, f.Unit),
			d.Value(f.Limit, f.Unit))))
	if above, ok := pastAbove(f); ok && above {
		g.rect("past", x(f.Limit), 2, fr.right-x(f.Limit), stripHeight-4)
	} else if ok {
		g.rect("past", fr.left, 2, x(f.Limit)-fr.left, stripHeight-4)
	}
	g.line("rule", fr.left, mid, fr.right, mid)
	g.rect("band", x(low), mid-5, x(high)-x(low), 10)
	g.line("limit", x(f.Limit), 2, x(f.Limit), stripHeight-2)
	if f.Envelope.Limit.Known() {
		g.diamond("envelope", x(f.Envelope.Limit), mid, 4.5)
	}
	g.add(`<circle class="revision-dot" cx="%s" cy="%s" r="4"/>`, px(x(f.Predicted)), px(mid))
	g.add(`</svg>`)
	return &strip{SVG: template.HTML(g.String())}
}

// pastAbove reports on which side of the limit the limit is crossed: a positive margin below it means above. It
// cannot tell when prediction and limit coincide or the margin is not known.
func pastAbove(f *assess.Finding) (above, ok bool) {
	if !f.Margin.Known() || f.Margin == 0 || f.Predicted == f.Limit {
		return false, false
	}
	return (f.Predicted < f.Limit) == (f.Margin > 0), true
}
