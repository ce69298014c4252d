package demo

import (
	"bytes"
	"math"
	"strconv"
)

// grid is a calibration table as the invented control unit reads it: bilinear and held at the last breakpoint. It is
// kept apart from models/calmap so that a fault there cannot hide in the truth. One-row tables have no y.
type grid struct {
	x, y []float64
	z    [][]float64
}

func line(x, z []float64) grid { return grid{x: x, z: [][]float64{z}} }

// at looks the table up.
func (g *grid) at(x, y float64) float64 {
	i, u := place(g.x, x)
	if len(g.y) == 0 {
		return between(g.z[0], i, u)
	}
	j, v := place(g.y, y)
	low := between(g.z[j], i, u)
	if v == 0 {
		return low
	}
	return low + v*(between(g.z[j+1], i, u)-low)
}

// place finds the interval of an axis and the position in it, 0 at and beyond an end.
func place(axis []float64, v float64) (int, float64) {
	n := len(axis)
	if v <= axis[0] {
		return 0, 0
	}
	if v >= axis[n-1] {
		return n - 1, 0
	}
	i := 0
	for v >= axis[i+1] {
		i++
	}
	return i, (v - axis[i]) / (axis[i+1] - axis[i])
}

func between(row []float64, i int, u float64) float64 {
	if u == 0 {
		return row[i]
	}
	return row[i] + u*(row[i+1]-row[i])
}

// build fills a table and rounds it to a multiple of step, as an editor would.
func build(x, y []float64, step float64, f func(x, y float64) float64) grid {
	g := grid{x: x, y: y}
	rows := y
	if len(y) == 0 {
		rows = []float64{0}
	}
	for _, yj := range rows {
		row := make([]float64, len(x))
		for i, xi := range x {
			row[i] = round(f(xi, yj), step)
		}
		g.z = append(g.z, row)
	}
	return g
}

// changed returns the table with f(x, y) added, rounded to step.
func (g *grid) changed(step float64, f func(x, y float64) float64) grid {
	return build(g.x, g.y, step, func(x, y float64) float64 { return g.at(x, y) + f(x, y) })
}

// csv is the table as a spreadsheet would give it.
func (g *grid) csv(corner string, decimals int) []byte {
	var b bytes.Buffer
	b.WriteString(corner)
	for _, x := range g.x {
		b.WriteByte(',')
		b.WriteString(strconv.FormatFloat(x, 'f', -1, 64))
	}
	b.WriteByte('\n')
	for j, row := range g.z {
		if len(g.y) > 0 {
			b.WriteString(strconv.FormatFloat(g.y[j], 'f', -1, 64))
		}
		for _, v := range row {
			b.WriteByte(',')
			b.WriteString(strconv.FormatFloat(v, 'f', decimals, 64))
		}
		b.WriteByte('\n')
	}
	return b.Bytes()
}

// round gives the multiple of step nearest to v, free of binary dust for the steps used here.
func round(v, step float64) float64 {
	n := math.Round(v / step)
	if inverse := math.Round(1 / step); math.Abs(inverse*step-1) < 1e-9 {
		return n / inverse
	}
	return n * step
}

// wave is a sine over engine speed with the given period in rpm.
func wave(rpm, period float64) float64 { return math.Sin(2 * math.Pi * rpm / period) }
