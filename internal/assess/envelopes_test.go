package assess

import (
	"math"
	"testing"

	"headroom/internal/assess/fleet"
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
	j := openJob(t, fleettest.Small(t))
	limits, without := 0, 0
	for id, rev := range j.ws.Revisions {
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
		r, class := j.blankReview(rev, rev.Vehicle), m.FuelClass(rev.Fuel)
		evals, err := m.assessHazards(r, b, class)
		if err != nil {
			t.Fatal(err)
		}
		for _, of := range evals {
			for _, e := range of {
				for _, pt := range m.curve(b, e, class).Points {
					fd := lowestAt(m.findings(b, e, class), pt.RPM)
					seen := m.Envelopes[fleet.EnvelopeKey{Kind: evidence.KindPull, Class: class, Metric: e.ID,
						Cell: cellKeyOf(m, fd.Cell)}]
					if pt.Cars != seen.Cars || pt.Envelope.Known() != (seen.Status == result.Assessed) {
						t.Errorf("%s %s at %g rpm: %d cars, envelope %v; seen by %d (%s)", id, e.ID, pt.RPM, pt.Cars,
							pt.Envelope, seen.Cars, seen.Status)
					}
					if !pt.Envelope.Known() {
						without++
						continue
					}
					limits++
					atExtreme := e.Side.Sign() * float64(fd.Limit-seen.ExtremeSeen)
					if float64(pt.Envelope) < atExtreme-1e-9 {
						t.Errorf("%s %s at %g rpm: envelope at a margin of %v, the most extreme seen at %v", id, e.ID,
							pt.RPM, pt.Envelope, atExtreme)
					}
				}
			}
		}
	}
	if limits == 0 || without == 0 {
		t.Errorf("%d points with an envelope, %d without: the fleet shows only one kind", limits, without)
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

func cellKeyOf(m *Model, c result.Cell) [2]int {
	for key := range m.Envelopes {
		if m.Cell(key.Cell) == c {
			return key.Cell
		}
	}
	return [2]int{-1, -1}
}
