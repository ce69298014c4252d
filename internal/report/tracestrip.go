package report

import (
	"html"
	"html/template"
	"math"
	"slices"
	"strings"

	"headroom/internal/ingest"
	"headroom/internal/report/show"
	"headroom/internal/runlog"
)

// stripStyle is how much room there is for names above the time axis.
type stripStyle struct {
	class string
	width float64 // pixels the drawing is expected to have
	step  int     // every how manyth tick is numbered
	pulls int     // pixels from the top to the line on which pulls are named
	full  bool    // speeds are named where there is room
}

var (
	wideStrip   = stripStyle{class: "wide", width: 1030, step: 1, pulls: steadyLine - 2*lineGap, full: true}
	narrowStrip = stripStyle{class: "narrow", width: 310, step: 2, pulls: steadyLine - lineGap}
)

const (
	letterWidth = 7.2 // pixels of a letter in the strip, taken generously
	lineGap     = 14  // pixels from one line of names to the next
	steadyLine  = 40  // pixels from the top
	barTop      = 45
	barHeight   = 10
	axisHeight  = 77
	doubtLine   = 16 // more where the whole log is in doubt somewhere
)

// strip is the time axis with the segments as bars. Above them pulls are named with their speeds, and below those the
// steady stretches, as fully as there is room before the next.
func (a timeAxis) strip(segments []ingest.SegmentSummary, doubts []runlog.Finding, style stripStyle) template.HTML {
	height := axisHeight
	if len(doubts) > 0 {
		height += doubtLine
	}
	var g drawing
	g.add(`<svg class="series when %s" height="%d" role="img" `+
		`aria-label="Time axis in seconds with pulls and steady stretches">`, style.class, height)
	all := a.ticks()
	for i, v := range all {
		x := a.percent(v)
		g.add(`<line class="rule" x1="%[1]s" x2="%[1]s" y1="%[2]d" y2="%[3]d"/>`, pct(x), barTop, barTop+barHeight+5)
		if i%style.step == 0 {
			g.add(`<text class="tick %s" x="%s" y="%d">%s</text>`, anchor(x), pct(x), height-4,
				show.Fixed(v, stepDecimals(all)))
		}
	}
	var pulls, steady []stripName
	numbered(segments, func(s ingest.SegmentSummary, name string) {
		from, to := a.percent(s.From), a.percent(s.To)
		g.add(`<rect class="%s bar" x="%s" y="%d" width="%s" height="%d"/>`, shadeClass(s.Kind), pct(from), barTop,
			pct(to-from), barHeight)
		number := name[strings.LastIndexByte(name, ' ')+1:]
		n := stripName{at: from / 100 * style.width, choices: [][]string{{name}, {number}}}
		speed := strings.TrimPrefix(speedSpan(s), ", ")
		if s.Kind == kindPull {
			if style.full && speed != "" {
				n.choices = slices.Insert(n.choices, 0, []string{name, speed},
					[]string{name, strings.TrimSuffix(speed, show.NBSP+"rpm")})
			}
			pulls = append(pulls, n)
			return
		}
		if style.full && speed != "" {
			n.choices = slices.Insert(n.choices, 0, []string{name + ", " + speed})
		}
		steady = append(steady, n)
	})
	g.names(pulls, style.width, kindPull, style.pulls)
	g.names(steady, style.width, "steady", steadyLine)
	a.marks(&g, doubts, barTop+barHeight+3, barTop+barHeight+18)
	g.add(`</svg>`)
	return template.HTML(g.String())
}

// stripName is a name where its segment begins, in pixels: the lines to write, from the fullest choice to the shortest.
type stripName struct {
	at      float64
	choices [][]string
}

// names sets for each segment the fullest name that ends before the next begins; at the right edge it may begin before
// its segment. A segment without room for any stays without; the table of segments has them all.
func (g *drawing) names(all []stripName, width float64, class string, line int) {
	free := 0.0
	for i, n := range all {
		room := width
		if i+1 < len(all) {
			room = all[i+1].at - letterWidth
		}
		for _, lines := range n.choices {
			wide := 0.0
			for _, l := range lines {
				wide = max(wide, letterWidth*float64(widthOf(l)))
			}
			left, at, side := n.at, n.at, "start"
			if i+1 == len(all) && n.at+wide > width {
				left, at, side = width-wide, width, "end"
			}
			if left < free || left+wide > room {
				continue
			}
			for k, l := range lines {
				tail := ""
				if k > 0 {
					tail = "-speed"
				}
				g.add(`<text class="%s-name%s %s" x="%s" y="%d">%s</text>`, class, tail, side, pct(100*at/width),
					line+k*lineGap, html.EscapeString(breakable(l)))
			}
			free = left + wide + letterWidth
			break
		}
	}
}

// anchor keeps a text inside the drawing.
func anchor(percent float64) string {
	if percent < 2 {
		return "start"
	} else if percent > 97 {
		return "end"
	}
	return "middle"
}

// stepDecimals is how many decimals tell ticks apart.
func stepDecimals(ts []float64) int {
	if len(ts) < 2 {
		return 0
	}
	return max(0, int(math.Ceil(-math.Log10(ts[1]-ts[0])-1e-9)))
}
