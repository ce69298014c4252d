package report

import (
	"fmt"
	"strings"

	"headroom/internal/assess"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
)

const (
	// %, a gain of torque below which nobody feels or measures a difference; common practice, no source
	leastGain  = 0.5
	leastSpent = 0.05 // spreads, a loss of margin that still shows with one decimal
)

func gainSection(r *assess.Review, d show.Display) text.Section {
	s := text.Section{ID: "gain", Title: "Gain against margin"}
	if len(r.Gains) == 0 {
		s.Intro = "No torque could be worked out for parent and revision."
		return s
	}
	s.Intro = "Brake torque and power from parent to revision; brackets hold the 90 % interval of the gain. What it " +
		"costs is the serious limit that " +
		"loses most margin there; its spread is the standard deviation of one pull. Less than 0.5 %, or an interval " +
		"with zero in it, is no gain."
	t := &text.Table{
		Columns: []text.Column{{Head: "Speed", Right: true}, {Head: "Torque", Right: true},
			{Head: "Power", Right: true},
			{Head: "Gain", Right: true},
			{Head: "What it costs", Flex: true}, {Head: "Closest limit there", Wide: true, Flex: true}},
		Absent: "no number could be worked out at this speed.",
	}
	var wasted []string
	for _, g := range r.Gains {
		if buysNothing(g) {
			wasted = append(wasted, show.Number(g.RPM, 0))
		}
		t.Rows = append(t.Rows, gainRow(r, g, d))
	}
	if len(wasted) > 0 {
		s.Blocks = append(s.Blocks, text.Block{Text: fmt.Sprintf("Margin is spent and buys nothing at %d of %s: %s "+
			"rpm. There the parent's tables give about as much and keep the margin.",
			len(wasted), count(len(r.Gains), "speed"), strings.Join(wasted, ", "))})
	}
	s.Blocks = append(s.Blocks, text.Block{Table: t})
	return s
}

func gainRow(r *assess.Review, g assess.Gain, d show.Display) text.Row {
	closest := text.Of("none ranked")
	if f := findingAt(r, g.RPM); f != nil {
		closest = text.Of(plain(f.Hazard), d.Margin(f.Margin, f.MarginSD, f.Unit)+" left")
		if f.Margin.Known() && f.Margin < 0 {
			closest = text.Of(plain(f.Hazard), d.Margin(f.Margin, f.MarginSD, f.Unit), "past the limit").Toned(
				text.Alarm)
		}
	}
	out := text.Row{Cells: []text.Cell{
		text.Of(d.Value(g.RPM, "rpm")), text.Of(d.FromTo(g.TorqueNm, "Nm")), text.Of(d.FromTo(g.PowerKW, "kW")),
		gainOf(g),
		costOf(g, d), closest,
	}}
	if g.SpentHazard == "" && gainOf(g).Joined() == noGain {
		out.SetBack()
	}
	return out
}

// noGain is a gain that shows no digit, nor does its interval.
const noGain = "0.0" + show.NBSP + "%"

// gainOf is the change of torque in percent with its interval.
func gainOf(g assess.Gain) text.Cell {
	if !g.ChangePct.Known() {
		return text.Of(show.Missing).Toned(text.Loud)
	}
	gain := show.Signed(float64(g.ChangePct), 1) + show.NBSP + "%"
	if !g.Change90[0].Known() || !g.Change90[1].Known() {
		return text.Of(gain, "(interval not known)").Toned(text.Loud)
	}
	low, high := show.Signed(float64(g.Change90[0]), 1)+show.NBSP+"%", show.Signed(float64(g.Change90[1]),
		1)+show.NBSP+"%"
	if gain == noGain && low == gain && high == gain {
		return text.Of(gain).Toned(text.Loud)
	}
	return text.Of(gain, "("+strings.TrimSuffix(low, show.NBSP+"%")+" to "+high+")").Toned(text.Loud)
}

// costOf is the margin a gain is paid with, and whether it buys anything.
func costOf(g assess.Gain, d show.Display) text.Cell {
	switch {
	case g.SpentHazard == "":
		return text.Of("no serious margin").Toned(text.Faint)
	case !g.SpentMargin.Known() || !g.SpentSD.Known():
		return text.Of(plain(g.SpentHazard), "by how much is not known").Toned(text.Doubt)
	case g.SpentSD < leastSpent:
		return text.Of(plain(g.SpentHazard) + ", hardly any").Toned(text.Faint)
	}
	paid := []string{plain(g.SpentHazard) + " " + d.Change(-g.SpentMargin, g.SpentUnit), show.Number(g.SpentSD, 1) +
		" of its spread"}
	if buysNothing(g) {
		return text.Of(append(paid, "buys nothing")...).Toned(text.Alarm)
	}
	return text.Of(paid...)
}

// buysNothing reports whether margin is spent at a speed without a gain to show for it. A gain that is not known is not
// called nothing.
func buysNothing(g assess.Gain) bool {
	if g.SpentHazard == "" || !(g.SpentSD >= leastSpent) || !g.ChangePct.Known() {
		return false
	}
	return g.ChangePct < leastGain || (g.Change90[0] <= 0 && g.Change90[1] >= 0)
}

// findingAt is the highest-ranked finding whose cell holds the speed, or nil.
func findingAt(r *assess.Review, rpm result.Number) *assess.Finding {
	for i := range r.Findings {
		if c := r.Findings[i].Cell.RPM; rpm >= c[0] && rpm <= c[1] {
			return &r.Findings[i]
		}
	}
	return nil
}
