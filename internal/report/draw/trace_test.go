package draw

import (
	"math"
	"regexp"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"headroom/internal/report/show"
	"headroom/models/value"
)

// TestTraceKeepsExtremes draws random series and reads the line back: every pixel column reaches exactly the smallest
// and the largest sample that falls into it.
func TestTraceKeepsExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 5000).Draw(t, "samples")
		seed := rapid.Uint64().Draw(t, "seed")
		times, values := make([]float64, n), make([]float64, n)
		for i := range times {
			seed = seed*6364136223846793005 + 1442695040888963407
			times[i], values[i] = float64(i), float64(seed>>40)/(1<<24)
			if seed>>33&7 == 0 {
				values[i] = math.NaN()
			}
		}
		a, y := timeAxis{to: float64(n - 1)}, valueAxisOf(0, 1)
		low, high := map[int]int{}, map[int]int{}
		reach := func(low, high map[int]int, x, y int) {
			c := x / subColumns
			if v, ok := low[c]; !ok || y < v {
				low[c] = y
			}
			if v, ok := high[c]; !ok || y > v {
				high[c] = y
			}
		}
		for i, v := range values {
			if value.Known(v) {
				reach(low, high, int(a.percent(times[i])/100*(traceColumns*subColumns-1)+0.5),
					int(y.percent(v)/100*traceHeight+0.5))
			}
		}
		gotLow, gotHigh := map[int]int{}, map[int]int{}
		x, v := 0, 0
		line, dots := a.path(times, values, nil, show.Scale{Factor: 1}, y, traceColumns)
		for _, step := range regexp.MustCompile(`([Ml])(-?\d+) (-?\d+)`).FindAllStringSubmatch(line+dots, -1) {
			dx, _ := strconv.Atoi(step[2])
			dy, _ := strconv.Atoi(step[3])
			if step[1] == "M" {
				x, v = 0, 0
			}
			x, v = x+dx, v+dy
			reach(gotLow, gotHigh, x, v)
		}
		if len(gotLow) != len(low) {
			t.Fatalf("%d pixel columns drawn, %d have samples", len(gotLow), len(low))
		}
		for c := range low {
			if gotLow[c] != low[c] || gotHigh[c] != high[c] {
				t.Fatalf("pixel column %d reaches %d to %d, its samples %d to %d", c, gotLow[c], gotHigh[c], low[c],
					high[c])
			}
		}
	})
}
