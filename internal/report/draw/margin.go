package draw

import (
	"cmp"
	"html"
	"html/template"
	"math"
	"slices"
	"strconv"

	"headroom/internal/report/show"
	"headroom/models/value"
)

// MarginPoint is a margin at one engine speed: of the revision with the band that 90 of 100 pulls fall in, of the
// parent and of the fleet envelope, and how many cars stand behind it. Margins are in the unit of the plot; what is not
// known is NaN.
type MarginPoint struct {
	RPM, Margin, Low, High, Parent, Envelope float64
	Cars                                     int
	Outside, FarOutside                      bool // the revision's state there is like none that was logged
}

// Margin draws a margin over engine speed, with its limit at zero. unit is printed at the axis, label names the plot
// and description tells it in words. Points may come in any order; those without a speed are left out. The drawing is
// empty when no margin is known at any speed.
func Margin(points []MarginPoint, unit, label, description string) template.HTML {
	points = placed(points)
	f, ok := frameOf(points)
	if !ok {
		return ""
	}
	var g drawing
	g.add(`<svg class="plot" viewBox="0 0 %g %g" role="img" aria-label="%s">`, plotWidth, plotHeight,
		html.EscapeString(label))
	g.add(`<title>%s</title>`, html.EscapeString(label))
	g.add(`<desc>%s</desc>`, html.EscapeString(description))
	g.axes(f, points, unit)
	g.curves(f, points)
	g.add(`</svg>`)
	return template.HTML(g.String())
}

// placed is the points in order of speed; points without a speed are left out.
func placed(points []MarginPoint) []MarginPoint {
	var out []MarginPoint
	for _, p := range points {
		if value.Known(p.RPM) {
			out = append(out, p)
		}
	}
	slices.SortStableFunc(out, func(a, b MarginPoint) int { return cmp.Compare(a.RPM, b.RPM) })
	return out
}

// frameOf finds the data range. Zero, the limit, is always inside, with room below it.
func frameOf(points []MarginPoint) (frame, bool) {
	f := frame{left: 50, right: plotWidth - 84, top: 34, bottom: plotHeight - 58, x0: math.Inf(1), x1: math.Inf(-1)}
	any := false
	for _, p := range points {
		f.x0, f.x1 = min(f.x0, p.RPM), max(f.x1, p.RPM)
		for _, v := range []float64{p.Margin, p.Low, p.High, p.Parent, p.Envelope} {
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

func (g *drawing) axes(f frame, points []MarginPoint, unit string) {
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
func (g *drawing) carsRow(f frame, points []MarginPoint) {
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
func runs(points []MarginPoint, known func(MarginPoint) bool) [][]MarginPoint {
	var out [][]MarginPoint
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

func (g *drawing) curves(f frame, points []MarginPoint) {
	for _, run := range runs(points, func(p MarginPoint) bool {
		return value.Known(p.Low) &&
			value.Known(p.High)
	}) {
		g.band(f, run)
	}
	g.line("limit", f.left, f.y(0), f.right, f.y(0))
	labels := []label{{class: "limit-label", name: "limit", x: f.right, y: f.y(0)}}
	labels = append(labels, g.trace(f, points, "parent", func(p MarginPoint) float64 { return p.Parent })...)
	labels = append(labels, g.trace(f, points, "revision", func(p MarginPoint) float64 { return p.Margin })...)
	g.unlike(f, points)
	last := -1
	for i, p := range points {
		if value.Known(p.Envelope) {
			g.diamond("envelope", f.x(p.RPM), f.y(p.Envelope), 5)
			last = i
		}
	}
	if last >= 0 {
		x, y := f.x(points[last].RPM), f.y(points[last].Envelope)
		if f.right-x > 90 {
			g.text("envelope-label halo", x+6, y+16, "envelope")
		} else {
			labels = append(labels, label{class: "envelope-label", name: "◇ envelope", x: x + 6, y: y})
		}
	}
	g.labels(f, labels)
}

// unlike rings the revision's points whose state is like none that was logged, those far from it with a cross in the
// ring, and says so above the plot.
func (g *drawing) unlike(f frame, points []MarginPoint) {
	near, far := false, false
	for _, p := range points {
		if value.Known(p.Margin) && (p.Outside || p.FarOutside) {
			g.ring(f.x(p.RPM), f.y(p.Margin), p.FarOutside)
			near, far = near || !p.FarOutside, far || p.FarOutside
		}
	}
	x := f.left + 100
	if near {
		g.ring(x, 12, false)
		g.text("tick", x+12, 16, "outside what was logged")
		x += 190
	}
	if far {
		g.ring(x, 12, true)
		g.text("tick", x+12, 16, "far outside what was logged")
	}
}

// ring is an open mark around a point; crossed has a cross in it.
func (g *drawing) ring(x, y float64, crossed bool) {
	const r = 7.0
	g.dot("unlike", x, y, r)
	if d := r / math.Sqrt2; crossed {
		g.line("unlike", x-d, y-d, x+d, y+d)
		g.line("unlike", x-d, y+d, x+d, y-d)
	}
}

func (g *drawing) band(f frame, run []MarginPoint) {
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
func (g *drawing) trace(f frame, points []MarginPoint, name string, of func(MarginPoint) float64) []label {
	var last *MarginPoint
	for _, run := range runs(points, func(p MarginPoint) bool { return value.Known(of(p)) }) {
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
				g.dot(name+"-dot", f.x(p.RPM), f.y(of(p)), 3)
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
