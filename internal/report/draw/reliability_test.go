package draw

import (
	"encoding/xml"
	"io"
	"strconv"
	"strings"
	"testing"

	"headroom/internal/result"
)

// In the plot a share as stated lies on the diagonal, and its interval spans it.
func TestReliabilityPlot(t *testing.T) {
	svg := Reliability([]Bin{{Stated: 0.25, Seen: 0.25, Interval90: result.Span{0.16, 0.36}, Pulls: 100}}, "knock",
		"25 of 100 pulls crossed")
	var circle, bar []float64
	d := xml.NewDecoder(strings.NewReader(string(svg)))
	for {
		token, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		n, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		value := func(name string) float64 {
			for _, a := range n.Attr {
				if a.Name.Local == name {
					v, err := strconv.ParseFloat(a.Value, 64)
					if err != nil {
						t.Fatal(err)
					}
					return v
				}
			}
			return 0
		}
		switch {
		case n.Name.Local == "circle":
			circle = []float64{value("cx"), value("cy")}
		case n.Name.Local == "rect" && n.Attr[0].Value == "band":
			bar = []float64{value("y"), value("y") + value("height")}
		}
	}
	if circle == nil || bar == nil {
		t.Fatal("no mark in the plot")
	}
	// Square-root axes from −0.02 to 1.02: 0.25 lies halfway, as do both coordinates of the mark.
	left, right, top, bottom := 56.0, plotWidth-60, 34.0, reliabilityHeight-76
	if x, y := (left+right)/2, (top+bottom)/2; circle[0] < x-0.1 || circle[0] > x+0.1 || circle[1] < y-0.1 ||
		circle[1] > y+0.1 {
		t.Errorf("mark at %v, want %g, %g", circle, x, y)
	}
	at := func(root float64) float64 { return bottom - (root+0.02)/1.04*(bottom-top) }
	for i, want := range []float64{at(0.6), at(0.4)} {
		if bar[i] < want-0.15 || bar[i] > want+0.15 {
			t.Errorf("bar from %g to %g, want %g to %g", bar[0], bar[1], at(0.6), at(0.4))
		}
	}
}
