// Package draw answers one question: which shapes show these numbers? Points, intervals and stretches of time go in,
// with the words that stand beside them; one SVG element comes out.
//
// Drawings are written directly: a line, a band, some marks and labels need no plotting library, and colours come from
// the page's style sheet, so that one drawing serves light, dark and print. Each says in words what it shows, for
// readers who cannot see it. Sizes are in SVG user units. No published source is involved; the drawings are the
// package's own.
package draw

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
)

const (
	plotWidth, plotHeight = 540.0, 310.0
	labelGap              = 15.0 // between labels at the right edge
	carsGap               = 26.0 // between the numbers of the cars row
)

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

// dot is a round mark.
func (g *drawing) dot(class string, x, y, r float64) {
	g.add(`<circle class="%s" cx="%s" cy="%s" r="%g"/>`, class, px(x), px(y), r)
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

// stepDecimals is how many decimals tell ticks apart.
func stepDecimals(ts []float64) int {
	if len(ts) < 2 {
		return 0
	}
	return max(0, int(math.Ceil(-math.Log10(ts[1]-ts[0])-1e-9)))
}
