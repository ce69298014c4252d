package draw

import (
	"encoding/xml"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestPlotsStayInside draws random curves with holes: the drawing is well formed, no coordinate is missing or outside
// the picture, and the labels at the right edge do not touch.
func TestPlotsStayInside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := func(name string) float64 {
			if rapid.IntRange(0, 4).Draw(t, name+" known") == 0 {
				return math.NaN()
			}
			return rapid.Float64Range(-1e4, 1e4).Draw(t, name)
		}
		var points []MarginPoint
		for range rapid.IntRange(0, 12).Draw(t, "points") {
			m := value("margin")
			points = append(points, MarginPoint{RPM: rapid.Float64Range(500, 9000).Draw(t, "rpm"), Margin: m,
				Low:  m - 5,
				High: m + 5, Parent: value("parent"), Envelope: value("envelope"),
				Outside: rapid.Bool().Draw(t, "outside"), FarOutside: rapid.Bool().Draw(t, "far")})
		}
		svg := string(Margin(points, "kPa", "knock, margin over engine speed", "a < b"))
		if svg == "" {
			for _, p := range points {
				if !math.IsNaN(p.Margin) || !math.IsNaN(p.Parent) || !math.IsNaN(p.Envelope) {
					t.Fatalf("no drawing of %+v", points)
				}
			}
			return
		}
		inside(t, svg)
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

// A point unlike what was logged is marked by a shape and in words, the far one by another; a point within is not.
func TestUnlikePointsAreMarked(t *testing.T) {
	const near, far = "outside what was logged", "far outside what was logged"
	point := func(outside, farOutside bool) MarginPoint {
		return MarginPoint{RPM: 3000, Margin: 2, Low: 1, High: 3, Parent: 3, Envelope: 1, Outside: outside,
			FarOutside: farOutside}
	}
	for _, c := range []struct {
		points       []MarginPoint
		rings, lines int // with those of the legend
		near, far    bool
	}{
		{[]MarginPoint{point(false, false)}, 0, 0, false, false},
		{[]MarginPoint{point(true, false), point(true, false)}, 3, 0, true, false},
		{[]MarginPoint{point(false, true)}, 2, 4, false, true},
		{[]MarginPoint{point(true, false), point(false, true)}, 4, 4, true, true},
		{[]MarginPoint{{RPM: 3000, Margin: math.NaN(), Parent: 1, Outside: true}}, 0, 0, false, false},
	} {
		svg := string(Margin(c.points, "deg", "knock", ""))
		if n := strings.Count(svg, `<circle class="unlike"`); n != c.rings {
			t.Errorf("%+v: %d rings, want %d", c.points, n, c.rings)
		}
		if n := strings.Count(svg, `<line class="unlike"`); n != c.lines {
			t.Errorf("%+v: %d lines of crosses, want %d", c.points, n, c.lines)
		}
		if strings.Contains(svg, ">"+near) != c.near || strings.Contains(svg, ">"+far) != c.far {
			t.Errorf("%+v: legend of %s", c.points, svg)
		}
	}
}
