package report

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/report/show"
	"headroom/internal/result"
)

// TestBuysNothing: margin spent for less than half a percent, or for an interval with zero in it, buys nothing; what is
// not known and what is not spent is not called so.
func TestBuysNothing(t *testing.T) {
	spent := assess.Gain{SpentHazard: "knock", SpentMargin: 1.2, SpentUnit: "deg", SpentSD: 0.6, ChangePct: 3,
		Change90: result.Span{2, 4}}
	for _, c := range []struct {
		name string
		with func(g *assess.Gain)
		want bool
	}{
		{"a clear gain", func(*assess.Gain) {}, false},
		{"a small gain", func(g *assess.Gain) { g.ChangePct, g.Change90 = 0.49, result.Span{0.3, 0.6} }, true},
		{"just enough", func(g *assess.Gain) { g.ChangePct, g.Change90 = 0.5, result.Span{0.3, 0.7} }, false},
		{"a loss", func(g *assess.Gain) { g.ChangePct, g.Change90 = -3, result.Span{-4, -2} }, true},
		{"an interval with zero", func(g *assess.Gain) { g.Change90 = result.Span{-1, 7} }, true},
		{"an interval not known", func(g *assess.Gain) { g.Change90 = noSpan }, false},
		{"a gain not known", func(g *assess.Gain) { g.ChangePct, g.Change90 = none, noSpan }, false},
		{"nothing spent", func(g *assess.Gain) { g.SpentHazard, g.ChangePct = "", 0 }, false},
		{"hardly anything spent", func(g *assess.Gain) { g.SpentSD, g.ChangePct = 0.04, 0 }, false},
		{"a cost not known", func(g *assess.Gain) { g.SpentMargin, g.SpentSD, g.ChangePct = none, none, 0 }, false},
	} {
		g := spent
		c.with(&g)
		if got := buysNothing(g); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
		d, err := show.NewDisplay(show.Units{})
		if err != nil {
			t.Fatal(err)
		}
		if said := strings.Contains(costOf(g, d).Joined(), "buys nothing"); said != c.want {
			t.Errorf("%s: the cell says %q", c.name, costOf(g, d).Joined())
		}
	}
}

// TestGainAndOwnLogsInWords looks in every human format for what the new sections must say.
func TestGainAndOwnLogsInWords(t *testing.T) {
	for _, f := range []Format{Table, Markdown, HTML} {
		out := strings.NewReplacer(show.NBSP, " ", "&#43;", "+").Replace(render(t, "review", f, Options{Width: 200}))
		for _, want := range []string{
			"412 → 438 N·m", "140 → 149 kW", "+6.3 %", "+4.2 to +8.4 %", "knock −1.7 deg", "1.2 of its spread",
			"buys nothing", "2 of 7 speeds: 4250, 4750 rpm",
			"10 of 12", "9 of 12", "34 to 96.5 %", "surprise", "Surprise in 1 of 3 metrics: charge temperature",
			"cannot say", "made on car-017, car-018 (2 logs)",
			"By log: car-017, pull-1.csv: 75 °C where 61 °C was expected; car-018, pull-2.csv: 72 °C where",
		} {
			if !strings.Contains(strings.Join(strings.Fields(out), " "), want) {
				t.Errorf("%s does not say %q", f, want)
			}
		}
	}
	r := fixtureReview()
	r.OwnLogs = nil
	var b bytes.Buffer
	if err := Review(&b, r, Table, Options{Width: 200}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "this revision has no own logs") {
		t.Error("a revision without own logs is not said to be one")
	}
}

// TestPoints: a difference that is not zero never reads as none.
func TestPoints(t *testing.T) {
	for _, c := range []struct {
		change float64
		want   string
	}{{0.031, "+3.1 points"}, {-0.2, "−20.0 points"}, {0, "none"}, {0.0004, "up <0.1 points"},
		{-1e-9, "down <0.1 points"}, {math.NaN(), show.Missing}} {
		if got := strings.ReplaceAll(points(result.Number(c.change)), show.NBSP, " "); got != c.want {
			t.Errorf("points(%v) = %q, want %q", c.change, got, c.want)
		}
	}
}

// TestStripsOfCarsAndPairs: a drawing for every hazard with a number and none without.
func TestStripsOfCarsAndPairs(t *testing.T) {
	for _, h := range fixtureAcross().Hazards {
		if drawn := carsStrip(h) != ""; drawn != (h.Assessed > 0) {
			t.Errorf("%s: drawn %v with %d cars", h.Hazard, drawn, h.Assessed)
		}
	}
	for _, h := range fixtureAgainst().Hazards {
		dots := strings.Count(string(pairStrip(&h)), "<circle")
		want := 0
		for _, side := range []assess.Hazard{h.Left, h.Right} {
			if side.Status != result.NotAssessed && side.ProbabilityPerPull.Known() {
				want++
			}
		}
		if dots != want {
			t.Errorf("%s: %d dots, want %d", h.Hazard, dots, want)
		}
	}
}

// TestManyLikelyCars: a row names a few cars and counts the rest; the flat formats name them all.
func TestManyLikelyCars(t *testing.T) {
	h := fixtureAcross().Hazards[0]
	said := acrossHazardRow(h).Cells[4].Joined()
	if !strings.Contains(said, "car-014") || strings.Contains(said, "rev-0142") ||
		!strings.Contains(said, "and 2 more") {
		t.Errorf("the row says %q", said)
	}
	if rows := acrossRows(fixtureAcross()); !strings.Contains(rows[0].Likely, longID) {
		t.Errorf("the flat row names %q", rows[0].Likely)
	}
}
