package draw

import (
	"html"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"headroom/internal/report/show"
)

// Positions in time are shares of the width, so that a page can be narrow without its text shrinking; only the line
// itself is stretched.

// Stretch is a named part of a run, a pull or a steady stretch, from and to in seconds. Name ends in its number; Speed
// is its engine speed in words, "" where not known; Title tells it in full.
type Stretch struct {
	From, To           float64
	Pull               bool
	Name, Speed, Title string
}

func (s Stretch) class() string {
	if s.Pull {
		return "pull"
	}
	return "steady"
}

// Mark is something found from one time to another, in seconds, told in words.
type Mark struct {
	From, To float64
	Title    string
}

// Timeline draws the channels of a run, one under the other on one time axis. Make one with NewTimeline.
type Timeline struct {
	axis      timeAxis
	times     []float64
	stretches []Stretch
	gaps      []Mark
	numbered  int
	shade     string
}

// NewTimeline returns the timeline of a run with samples at the given times, s, rising, at least one; with its
// stretches, and its gaps, where there are no rows, in order. Of the marks of each drawing the first numbered are given
// their number.
func NewTimeline(times []float64, stretches []Stretch, gaps []Mark, numbered int) *Timeline {
	a := timeAxis{from: times[0], to: times[len(times)-1]}
	if a.to <= a.from {
		a.to = a.from + 1
	}
	return &Timeline{axis: a, times: times, stretches: stretches, gaps: gaps, numbered: numbered,
		shade: a.shades(stretches, gaps)}
}

// Axis draws the time axis with the stretches named and the marks of the whole run, for wide and for narrow pages.
func (t *Timeline) Axis(marks []Mark) (wide, narrow template.HTML) {
	return t.strip(marks, wideStrip), t.strip(marks, narrowStrip)
}

const (
	mostMarks    = 200 // drawn in one drawing
	mostShaded   = 50  // percent of the width a mark may fill and still be shaded
	leastMarkGap = 4.5 // percent of the width between two numbers of marks
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

// shades marks the stretches, and the gaps, behind a line.
func (a timeAxis) shades(stretches []Stretch, gaps []Mark) string {
	var g drawing
	for _, m := range gaps {
		from, to := a.percent(m.From), a.percent(m.To)
		g.add(`<rect class="past" x="%s" y="0" width="%s" height="100%%"><title>%s</title></rect>`, pct(from),
			pct(to-from), html.EscapeString(m.Title))
	}
	for _, s := range stretches {
		from, to := a.percent(s.From), a.percent(s.To)
		g.add(`<rect class="%s" x="%s" y="0" width="%s" height="100%%"><title>%s</title></rect>`, s.class(),
			pct(from), pct(to-from), html.EscapeString(s.Title))
	}
	return g.String()
}

// marks draws where the marks are: a bar on top, a light shade below it where it tells one stretch from another, and
// the number of each of the first few where there is room for it.
func (a timeAxis) marks(g *drawing, all []Mark, numbered, top, number int) {
	last := math.Inf(-1)
	for i, m := range all[:min(len(all), mostMarks)] {
		from, to := a.percent(m.From), a.percent(max(m.From, m.To))
		g.add(`<g><title>%s</title>`, html.EscapeString(m.Title))
		if to-from < mostShaded && top == 0 {
			g.add(`<rect class="doubt-span" x="%s" y="0" width="%s" height="100%%"/>`, pct(from), pct(to-from))
		}
		class := "doubt-bar"
		if to-from >= mostShaded {
			class = "doubt-bar wide-doubt"
		}
		g.add(`<rect class="%s" x="%s" y="%d" width="%s" height="3"/></g>`, class, pct(from), top, pct(to-from))
		if i >= numbered || from-last < leastMarkGap {
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

// strip is the time axis with the stretches as bars. Above them pulls are named with their speeds, and below those the
// steady stretches, as fully as there is room before the next.
func (t *Timeline) strip(marks []Mark, style stripStyle) template.HTML {
	height := axisHeight
	if len(marks) > 0 {
		height += doubtLine
	}
	var g drawing
	g.add(`<svg class="series when %s" height="%d" role="img" `+
		`aria-label="Time axis in seconds with pulls and steady stretches">`, style.class, height)
	all := t.axis.ticks()
	for i, v := range all {
		x := t.axis.percent(v)
		g.add(`<line class="rule" x1="%[1]s" x2="%[1]s" y1="%[2]d" y2="%[3]d"/>`, pct(x), barTop, barTop+barHeight+5)
		if i%style.step == 0 {
			g.add(`<text class="tick %s" x="%s" y="%d">%s</text>`, anchor(x), pct(x), height-4,
				show.Fixed(v, stepDecimals(all)))
		}
	}
	var pulls, steady []stripName
	for _, s := range t.stretches {
		from, to := t.axis.percent(s.From), t.axis.percent(s.To)
		g.add(`<rect class="%s bar" x="%s" y="%d" width="%s" height="%d"/>`, s.class(), pct(from), barTop,
			pct(to-from), barHeight)
		n := stripName{at: from / 100 * style.width, choices: s.names(style.full)}
		if s.Pull {
			pulls = append(pulls, n)
		} else {
			steady = append(steady, n)
		}
	}
	g.names(pulls, style.width, "pull", style.pulls)
	g.names(steady, style.width, "steady", steadyLine)
	t.axis.marks(&g, marks, t.numbered, barTop+barHeight+3, barTop+barHeight+18)
	g.add(`</svg>`)
	return template.HTML(g.String())
}

// names are the ways to name a stretch, the fullest first; speeds only where full.
func (s Stretch) names(full bool) [][]string {
	choices := [][]string{{s.Name}, {s.Name[strings.LastIndexByte(s.Name, ' ')+1:]}}
	switch {
	case !full || s.Speed == "":
		return choices
	case s.Pull:
		return slices.Insert(choices, 0, []string{s.Name, s.Speed},
			[]string{s.Name, strings.TrimSuffix(s.Speed, show.NBSP+"rpm")})
	}
	return slices.Insert(choices, 0, []string{s.Name + ", " + s.Speed})
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
				wide = max(wide, letterWidth*float64(utf8.RuneCountInString(l)))
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
					line+k*lineGap, html.EscapeString(strings.ReplaceAll(l, show.NBSP, " ")))
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
