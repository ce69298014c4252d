package report

import (
	"encoding/xml"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"headroom/internal/assess"
	"headroom/internal/report/show"
	"headroom/internal/result"
)

// TestTicks: ticks are inside the range, evenly spaced by 1, 2 or 5 times a power of ten, and neither few nor many.
func TestTicks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1e5, 1e5).Draw(t, "low")
		span := rapid.Float64Range(0.01, 1e5).Draw(t, "span")
		got := ticks(low, low+span, 6)
		if len(got) < 2 || len(got) > 8 {
			t.Fatalf("%d ticks", len(got))
		}
		step := got[1] - got[0]
		lead := step / math.Pow(10, math.Floor(math.Log10(step)+1e-9))
		if math.Abs(lead-1) > 1e-3 && math.Abs(lead-2) > 1e-3 && math.Abs(lead-5) > 1e-3 {
			t.Fatalf("step %v", step)
		}
		for _, v := range got {
			if v < low-1e-6*span || v > low+span*(1+1e-6) {
				t.Fatalf("%v is outside [%v, %v]", v, low, low+span)
			}
		}
	})
}

// TestPlotsStayInside draws random curves with holes: the drawing is well formed, no coordinate is missing or outside
// the picture, and the labels at the right edge do not touch.
func TestPlotsStayInside(t *testing.T) {
	d, err := show.NewDisplay(show.Units{})
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		value := func(name string) float64 {
			if rapid.IntRange(0, 4).Draw(t, name+" known") == 0 {
				return math.NaN()
			}
			return rapid.Float64Range(-1e4, 1e4).Draw(t, name)
		}
		c := assess.Curve{Hazard: "knock", Unit: "kPa"}
		for range rapid.IntRange(0, 12).Draw(t, "points") {
			m := value("margin")
			c.Points = append(c.Points, assess.CurvePoint{RPM: rapid.Float64Range(500, 9000).Draw(t, "rpm"), Margin: m,
				Low: m - 5, High: m + 5,
				Parent: value("parent"), Envelope: result.Number(value("envelope"))})
		}
		p := plotOf(&c, d)
		if p.SVG == "" {
			if p.Note == "" {
				t.Fatal("neither drawing nor note")
			}
			return
		}
		inside(t, string(p.SVG))
	})
}

func inside(t *rapid.T, svg string) {
	d := xml.NewDecoder(strings.NewReader(svg))
	var labels []float64
	for {
		token, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("%v in %s", err, svg)
		}
		n, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		at := map[string]string{}
		for _, a := range n.Attr {
			at[a.Name.Local] = a.Value
			most := map[string]float64{"x": plotWidth, "x1": plotWidth, "x2": plotWidth, "cx": plotWidth,
				"y": plotHeight, "y1": plotHeight, "y2": plotHeight, "cy": plotHeight}
			limit, isCoordinate := most[a.Name.Local]
			if !isCoordinate {
				continue
			}
			if v, err := strconv.ParseFloat(a.Value, 64); err != nil || math.IsNaN(v) || v < 0 || v > limit {
				t.Fatalf("%s=%q in <%s>", a.Name.Local, a.Value, n.Name.Local)
			}
		}
		if strings.Contains(at["d"], "NaN") || strings.Contains(at["d"], "Inf") {
			t.Fatalf("path %q", at["d"])
		}
		if strings.HasSuffix(at["class"], "-label") {
			y, _ := strconv.ParseFloat(at["y"], 64)
			labels = append(labels, y)
		}
	}
	for i, a := range labels {
		for _, b := range labels[:i] {
			if math.Abs(a-b) < labelGap-0.2 {
				t.Fatalf("labels at %v and %v touch", a, b)
			}
		}
	}
}

// TestStripSide: hatching lies on the side of the limit where the margin is negative.
func TestStripSide(t *testing.T) {
	for _, c := range []struct {
		predicted, limit, margin result.Number
		above, ok                bool
	}{
		{1.2, 0, 1.2, false, true}, {-0.5, 0, -0.5, false, true}, {78, 70, -8, true, true}, {60, 70, 10, true, true},
		{70, 70, 0, false, false}, {60, 70, none, false, false},
	} {
		f := assess.Finding{Predicted: c.predicted, Limit: c.limit, Margin: c.margin}
		if above, ok := pastAbove(&f); above != c.above || ok != c.ok {
			t.Errorf("%v: past above %v (%v), want %v (%v)", c, above, ok, c.above, c.ok)
		}
	}
}
