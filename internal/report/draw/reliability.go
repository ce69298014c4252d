package draw

import (
	"html"
	"html/template"
	"math"
	"strconv"

	"headroom/internal/report/show"
	"headroom/internal/result"
)

const reliabilityHeight = 420.0

// reliabilityTicks are the marks of both axes; the axes are square roots, which gives rare events room and leaves the
// diagonal a straight line.
var reliabilityTicks = []float64{0, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 1}

// Bin is predictions of like size: their mean, the share of pulls seen to cross with its 90 % interval, each from 0
// to 1, and how many pulls that is a share of.
type Bin struct {
	Stated, Seen result.Number
	Interval90   result.Span
	Pulls        int
}

// Reliability draws stated against seen chances. label names the plot and description tells it in words.
func Reliability(bins []Bin, label, description string) template.HTML {
	f := frame{left: 56, right: plotWidth - 60, top: 34, bottom: reliabilityHeight - 76, x0: -0.02, x1: 1.02, y0: -0.02,
		y1: 1.02}
	at := func(v result.Number) float64 { return math.Sqrt(float64(v)) }
	var g drawing
	g.add(`<svg class="plot" viewBox="0 0 %g %g" role="img" aria-label="%s">`, plotWidth, reliabilityHeight,
		html.EscapeString(label))
	g.add(`<title>%s</title>`, html.EscapeString(label))
	g.add(`<desc>%s</desc>`, html.EscapeString(description))
	g.rect("field", f.left, f.top, f.right-f.left, f.bottom-f.top)
	for _, v := range reliabilityTicks {
		x, y := f.x(math.Sqrt(v)), f.y(math.Sqrt(v))
		g.line("rule", f.left, y, f.right, y)
		g.text("tick end", f.left-6, y+4, show.Fixed(100*v, 0))
		g.line("rule", x, f.bottom, x, f.bottom+4)
		g.text("tick middle", x, f.bottom+18, show.Fixed(100*v, 0))
	}
	g.text("axis", 6, 16, "seen, % of pulls")
	g.text("axis end", f.right, f.bottom+64, "stated, % of pulls")
	g.path("parent", [][2]float64{{f.x(0), f.y(0)}, {f.x(1), f.y(1)}}, false)
	g.text("parent-label halo", f.x(0.62), f.y(0.55), "as stated")
	g.text("tick end", f.left-6, f.bottom+42, "pulls")
	last := math.Inf(-1)
	for _, b := range bins {
		x := f.x(at(b.Stated))
		g.rect("band", x-4, f.y(at(b.Interval90[1])), 8, f.y(at(b.Interval90[0]))-f.y(at(b.Interval90[1])))
		g.dot("revision-dot", x, f.y(at(b.Seen)), 4)
		if x-last >= carsGap {
			g.text("cars middle", x, f.bottom+42, strconv.Itoa(b.Pulls))
			last = x
		}
	}
	g.add(`</svg>`)
	return template.HTML(g.String())
}
