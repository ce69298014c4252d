package assess

import (
	"math"
	"testing"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/result"
)

// What the fleet has run is what it has run: no limit past the most extreme value seen, on any side, nor past the
// tolerance or the prediction limit, which stand beside it. With four cars or fewer the tolerance limit lies past all
// that was seen, somewhere far past.
func TestEnvelopesNeverPassWhatWasSeen(t *testing.T) {
	e, err := openJob(t, fleettest.Small(t)).Envelopes()
	if err != nil {
		t.Fatal(err)
	}
	few, farPast := 0, 0.0
	for _, p := range e.Platforms {
		for _, c := range p.Cells {
			if c.Status != result.Assessed {
				if c.Limit.Known() || c.ToleranceLimit.Known() {
					t.Errorf("%s: a limit from too few cars: %+v", p.Platform, c)
				}
				continue
			}
			past := func(a, b result.Number) bool { return c.Side.Sign()*float64(a-b) > 0 }
			if !c.Limit.Known() || past(c.Limit, c.ExtremeSeen) || past(c.Limit, c.ToleranceLimit) ||
				past(c.Limit, c.PredictionLimit) {
				t.Errorf("%s: %+v", p.Platform, c)
			}
			if c.PredictionLimit.Known() != (c.PredictionCarsNeeded == 0) || c.Cars+c.PredictionCarsNeeded < 19 {
				t.Errorf("%s: prediction limit %v, %d more cars than %d", p.Platform, c.PredictionLimit,
					c.PredictionCarsNeeded, c.Cars)
			}
			if c.Cars <= 4 && past(c.ToleranceLimit, c.ExtremeSeen) {
				few++
				farPast = math.Max(farPast, math.Abs(float64(c.ToleranceLimit-c.ExtremeSeen)/float64(c.WithinSD)))
			}
		}
	}
	if few == 0 || !(farPast > 5) {
		t.Errorf("%d cells of few cars with a tolerance limit past what was seen, the farthest by %.1f deviations", few,
			farPast)
	}
}

// The margin plots show the same limit as the findings, and how many cars have been in the cell that is drawn, also
// where they are too few for a limit.
func TestCurvesShowWhatWasSeen(t *testing.T) {
	limits, without := 0, 0
	eachProposed(t, func(m *Model, b *bench, e *evaluation, class string) {
		findings := m.findings(b, e, class)
		for _, pt := range m.curve(b, e, class).Points {
			fd := lowestAt(findings, pt.RPM)
			seen := m.Envelopes[fleet.EnvelopeKey{Kind: evidence.KindPull, Class: class, Metric: e.ID,
				Cell: cellKeyOf(m, fd.Cell)}]
			if pt.Cars != seen.Cars || pt.Envelope.Known() != (seen.Status == result.Assessed) {
				t.Errorf("%s at %g rpm: %d cars, envelope %v; seen by %d (%s)", e.ID, pt.RPM, pt.Cars, pt.Envelope,
					seen.Cars, seen.Status)
			}
			if !pt.Envelope.Known() {
				without++
				continue
			}
			limits++
			atExtreme := e.Side.Sign() * float64(fd.Limit-seen.ExtremeSeen)
			if float64(pt.Envelope) < atExtreme-1e-9 {
				t.Errorf("%s at %g rpm: envelope at a margin of %v, the most extreme seen at %v", e.ID, pt.RPM,
					pt.Envelope, atExtreme)
			}
		}
	})
	if limits == 0 || without == 0 {
		t.Errorf("%d points with an envelope, %d without: the fleet shows only one kind", limits, without)
	}
}

// A twenty-fifth of what one pull differs from the next, such as a thousandth of a kelvin that a changed spark does to
// a predicted coolant temperature, is no step towards a limit; as much as one pull differs from the next is, where the
// car was not driven on it.
func TestNegligibleMoves(t *testing.T) {
	tiny, large := 0, 0
	eachProposed(t, func(m *Model, b *bench, e *evaluation, class string) {
		for _, f := range m.findings(b, e, class) {
			moved := e.inCell(b, cellKeyOf(m, f.Cell)).moved
			switch {
			case moved > 1e-6 && moved < float64(f.MarginSD)/25:
				tiny++
				if f.worsened {
					t.Errorf("%s at %v: %g counts as a move, one pull's deviation is %v", f.Metric, f.Cell, moved,
						f.MarginSD)
				}
			case moved > float64(f.MarginSD):
				large++
				if !f.worsened {
					t.Errorf("%s at %v: %g does not count as a move, one pull's deviation is %v", f.Metric, f.Cell,
						moved, f.MarginSD)
				}
			}
		}
	})
	if tiny == 0 || large == 0 {
		t.Errorf("%d tiny moves, %d large: the proposals hold only one kind", tiny, large)
	}
}

// A move smaller than what the driven calibration's own pulls differ by is no step past the envelope, wherever the
// envelope lies; one that no pull of the parent stands behind is.
func TestMovesWithinThePullsOfTheDriven(t *testing.T) {
	within, past := 0, 0
	eachProposed(t, func(m *Model, b *bench, e *evaluation, class string) {
		for _, driven := range []bool{true, false} {
			b.onParent = driven
			for _, f := range m.findings(b, e, class) {
				moved := e.inCell(b, cellKeyOf(m, f.Cell)).moved
				own := math.Hypot(e.predictor.pullSD, e.predictor.cellSD)
				switch {
				case driven && moved < own:
					within++
					if f.worsened {
						t.Errorf("%s at %v: a move of %g is the revision's doing, pulls differ by %g", f.Metric, f.Cell,
							moved, own)
					}
				case !driven && f.worsened && moved < own:
					past++
				}
			}
		}
	})
	if within == 0 || past == 0 {
		t.Errorf("%d small moves from what was driven, %d that count where it was not", within, past)
	}
}

// eachProposed shows the evaluations of the small fleet's proposed revisions.
func eachProposed(t *testing.T, show func(m *Model, b *bench, e *evaluation, class string)) {
	t.Helper()
	j := openJob(t, fleettest.Small(t))
	for _, rev := range j.ws.Revisions {
		if rev.Status != "proposed" {
			continue
		}
		m, err := j.Model(rev.Platform)
		if err != nil {
			t.Fatal(err)
		}
		car := j.CarOf(rev.Vehicle)
		rows, err := j.judgedOn(rev, car, j.hardwareDate(car))
		if err != nil {
			t.Fatal(err)
		}
		b, err := m.benchFor(rows, rev, car, j.hardwareDate(car))
		if err != nil {
			t.Fatal(err)
		}
		class := m.FuelClass(rev.Fuel)
		evals, err := m.assessHazards(j.blankReview(rev, rev.Vehicle), b, class)
		if err != nil {
			t.Fatal(err)
		}
		for _, of := range evals {
			for _, e := range of {
				show(m, b, e, class)
			}
		}
	}
}

// lowestAt is the finding of least margin at a speed.
func lowestAt(findings []Finding, rpm float64) Finding {
	var out *Finding
	for i := range findings {
		f := &findings[i]
		if float64(f.Cell.RPM[0]) < rpm && rpm < float64(f.Cell.RPM[1]) && (out == nil || f.Margin < out.Margin) {
			out = f
		}
	}
	return *out
}

// cellKeyOf is the key of a cell of the operating grid.
func cellKeyOf(m *Model, c result.Cell) state.CellKey {
	return m.CellOf(&state.State{RPM: float64(c.RPM[0]+c.RPM[1]) / 2, Load: float64(c.LoadPct[0]+c.LoadPct[1]) / 2})
}
