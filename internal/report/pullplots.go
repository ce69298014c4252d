package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"headroom/internal/ingest"
	"headroom/internal/report/draw"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
	"headroom/models/channel"
	"headroom/models/value"
)

// What a page shows of pulls.
const (
	mostZooms  = 6   // pulls drawn each by itself, which bounds the page
	zoomAround = 1.0 // s before and after a pull
)

// pullsKey says how to read the pulls.
const pullsKey = "Pulls laid over one another, by engine speed and by time since each began; below, each by itself " +
	"over the log's time. The broad line is the platform's limit, drawn where it lies no further from the " +
	"readings than these reach."

// drawnPull is a pull and where its samples are.
type drawnPull struct {
	name, told string
	from, to   int
	around     [2]int // samples of the zoom
}

// pullsOf is what is drawn of a run's pulls; nil where it has none.
func pullsOf(in *ingest.Inspection, d show.Display) (*text.Pulls, string) {
	all := pullsIn(in)
	if len(all) == 0 {
		return nil, ""
	}
	laid, more := all, ""
	if len(all) > draw.MostOverlaid {
		laid = slices.Clone(all)
		speed := in.Run.Values(channel.EngineSpeed)
		span := func(p drawnPull) float64 {
			low, high := extremes(speed[p.from:p.to])
			return high - low
		}
		slices.SortStableFunc(laid, func(a, b drawnPull) int { return cmp.Compare(span(b), span(a)) })
		laid = laid[:draw.MostOverlaid]
		slices.SortStableFunc(laid, func(a, b drawnPull) int { return cmp.Compare(a.from, b.from) })
		more = fmt.Sprintf(" Of %d pulls those are drawn that sweep most of engine speed, %d laid over one another "+
			"and %d by themselves.", len(all), len(laid), min(mostZooms, len(laid)))
	}
	out := &text.Pulls{}
	out.Panels, out.Still = overlaid(in, laid, d)
	for i, p := range laid {
		out.Pens = append(out.Pens, text.PullPen{Pen: draw.Pen(i), Text: p.told})
		if i < mostZooms {
			out.Zooms = append(out.Zooms, text.PullZoom{Summary: capital(p.told), Panels: zoomed(in, p, d)})
		}
	}
	return out, pullsKey + more
}

// pullsIn finds the samples of the pulls with a place in time.
func pullsIn(in *ingest.Inspection) []drawnPull {
	times := in.Run.Time
	at := func(t float64) int { i, _ := slices.BinarySearch(times, t); return i }
	var out []drawnPull
	seen := 0
	for _, s := range in.Segments {
		if s.Kind != kindPull {
			continue
		}
		seen++
		if !value.Known(s.From) || !value.Known(s.To) {
			continue
		}
		name := "pull " + strconv.Itoa(seen)
		p := drawnPull{name: name, told: name + ", " + stretch(s.From, s.To), from: at(s.From),
			to: min(at(s.To)+1, len(times)), around: [2]int{at(s.From - zoomAround), at(s.To + zoomAround)}}
		if speed := speedSpan(s); speed != "" {
			p.told += ", " + speed
		}
		if p.to > p.from+1 {
			out = append(out, p)
		}
	}
	return out
}

// limitOf is a channel's limit by sample, NaN without one; of several the one that comes first in the platform file.
func limitOf(in *ingest.Inspection, id channel.ID) func(int) float64 {
	for _, l := range in.Limits {
		if l.Channel == id {
			return l.At
		}
	}
	return func(int) float64 { return math.NaN() }
}

// curves are a channel over some stretches of the run; x gives where a sample lies.
func curves(in *ingest.Inspection, id channel.ID, parts [][2]int, x func(part, i int) float64) []draw.Curve {
	limit := limitOf(in, id)
	values := in.Run.Values(id)
	var out []draw.Curve
	for k, part := range parts {
		var c draw.Curve
		for i := part[0]; i < part[1]; i++ {
			c.X, c.Values = append(c.X, x(k, i)), append(c.Values, values[i])
			c.Limits = append(c.Limits, limit(i))
		}
		out = append(out, c)
	}
	return out
}

// overlaid draws each channel of pulls over engine speed and over time since each pull began, and names those that do
// not move in any.
func overlaid(in *ingest.Inspection, pulls []drawnPull, d show.Display) (out []text.PullPanel, still string) {
	run := in.Run
	speed := run.Values(channel.EngineSpeed)
	var parts [][2]int
	for _, p := range pulls {
		parts = append(parts, [2]int{p.from, p.to})
	}
	views := []struct {
		across string
		x      func(part, i int) float64
	}{
		{"rpm", func(_, i int) float64 { return speed[i] }},
		{"s", func(part, i int) float64 { return run.Time[i] - run.Time[parts[part][0]] }},
	}
	var rest []string
	for _, s := range run.Series {
		if at, ok := stands(s.Values, parts); ok {
			definition, _ := channel.Lookup(s.Channel)
			rest = append(rest, plain(string(s.Channel))+" at "+d.Value(result.Number(at), string(definition.Unit)))
			continue
		}
		p := pullPanel(in, s.Channel, parts, d)
		for _, view := range views {
			if s.Channel == channel.EngineSpeed && view.across == "rpm" || speed == nil && view.across == "rpm" {
				continue
			}
			if v, ok := viewOf(in, s.Channel, curves(in, s.Channel, parts, view.x), view.across, &p, d); ok {
				p.Views = append(p.Views, v)
			}
		}
		if len(p.Views) > 0 {
			out = append(out, p)
		}
	}
	if len(rest) > 0 {
		still = "Not drawn, as it stands still in these pulls: " + strings.Join(rest, ", ") + "."
	}
	return out, still
}

// stands is the one value that a channel has in all parts; ok is false where it moves, or has none.
func stands(values []float64, parts [][2]int) (at float64, ok bool) {
	low, high := math.NaN(), math.NaN()
	for _, part := range parts {
		l, h := extremes(values[part[0]:part[1]])
		if value.Known(l) {
			low, high = math.Min(value.Or(low, l), l), math.Max(value.Or(high, h), h)
		}
	}
	return low, value.Known(low) && low == high
}

// zoomed draws each channel of one pull over the log's time.
func zoomed(in *ingest.Inspection, pull drawnPull, d show.Display) []text.PullPanel {
	var out []text.PullPanel
	for _, s := range in.Run.Series {
		if _, still := stands(s.Values, [][2]int{pull.around}); still {
			continue
		}
		p := pullPanel(in, s.Channel, [][2]int{{pull.from, pull.to}}, d)
		c := curves(in, s.Channel, [][2]int{pull.around}, func(_, i int) float64 { return in.Run.Time[i] })
		for i := range c[0].Limits { // a limit is one on pulls
			if at := pull.around[0] + i; at < pull.from || at >= pull.to {
				c[0].Limits[i] = math.NaN()
			}
		}
		if v, ok := viewOf(in, s.Channel, c, "s", &p, d); ok {
			p.Views = append(p.Views, v)
			out = append(out, p)
		}
	}
	return out
}

// pullPanel heads the drawings of a channel and says its limit there.
func pullPanel(in *ingest.Inspection, id channel.ID, parts [][2]int, d show.Display) text.PullPanel {
	definition, _ := channel.Lookup(id)
	p := text.PullPanel{Title: capital(plain(string(id))), Unit: d.Of(string(definition.Unit)).Name}
	limit := limitOf(in, id)
	var at []float64
	for _, part := range parts {
		for i := part[0]; i < part[1]; i++ {
			at = append(at, limit(i))
		}
	}
	switch low, high := extremes(at); {
	case !value.Known(low):
	case low == high:
		p.Note = "limit " + d.Value(result.Number(low), string(definition.Unit))
	default:
		p.Note = "limit " + d.Interval(result.Span{result.Number(low), result.Number(high)}, string(definition.Unit))
	}
	return p
}

// viewOf is one drawing; ok is false where there is nothing to draw.
func viewOf(in *ingest.Inspection, id channel.ID, c []draw.Curve, across string, p *text.PullPanel,
	d show.Display) (text.PullView, bool) {
	a, ok := draw.NewAcross(c)
	low, _ := extremes(slices.Concat(valuesOf(c)...))
	if !ok || !value.Known(low) {
		return text.PullView{}, false
	}
	definition, _ := channel.Lookup(id)
	over := "time in seconds"
	if across == "rpm" {
		over = "engine speed in rpm"
	}
	v := text.PullView{Across: across, Axis: a.Axis(across)}
	v.Scale, v.SVG = a.Draw(draw.Overlay{Label: fmt.Sprintf("%s over %s, %s", p.Title, over, count(len(c), "pull")),
		Curves: c, Scale: d.Of(string(definition.Unit))})
	return v, true
}

func valuesOf(curves []draw.Curve) [][]float64 {
	out := make([][]float64, len(curves))
	for i, c := range curves {
		out[i] = c.Values
	}
	return out
}
