// Package fleet answers what the evidence of a platform teaches: the levels and spreads of measured metrics
// (models/mixed), how far physics is off where it can be measured, knock-limited spark (models/knock), what the
// platform has been shown to run (models/envelope), and whose sensors are suspect. Physics gives slopes
// (internal/assess/state), the fleet gives levels, the car gives offsets. It knows no limits and judges nothing.
package fleet

import (
	"fmt"
	"maps"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/knock"
)

// Fit is everything the statistics learned about one platform from its evidence.
type Fit struct {
	Knock       *knock.Model
	KnockRef    Reference
	KnockPulls  int                          // pulls among the segments it was fitted to
	KnockSteady int                          // steady stretches among them
	KnockSeen   map[int][2]int               // rows and rows with an event by speed bin
	KnockLack   result.Lack                  // why there is no knock model
	Slopes      [knock.NumCovariates]float64 // prior means, from physics, at the reference
	KnockShape  KnockShape
	Margins     map[metric.ID]Margin      // of measured metrics
	Doubts      map[string]SensorDoubt    // by car: those whose lambda sensor is suspect
	Suspects    map[string]Margin         // by car: lambda of a car whose sensor is suspect, fitted with that car in
	Rail        state.RailLine            // the platform's rail pressure over load
	PumpKnees   map[string]float64        // by car, see state.Platform.PumpKnees
	Levels      map[metric.ID]Level       // of metrics that can be measured and computed
	BurnFit     BurnFit                   // burn angles of the cycle model, after torque
	Lacks       map[metric.ID]result.Lack // why a measured metric has no margin
	Weather     Weather                   // of the days that were logged
	Support     *Support                  // where pulls have been; nil where too few cars tell
	Envelopes   map[EnvelopeKey]Envelope  `json:"-"` // see fitFile
	Checks      []FileCheck               // of the platform file
	Cars        int
	Pulls       int

	Commands     state.CommandError    // what control units command beyond their lambda tables
	Heat         state.HeatLine        // what they take out of spark as charge gets hot
	Probe        state.ProbeLag        // of exhaust temperature probes
	Falls        state.Falls           // what slow logs miss of extremes
	Unheard      map[string]Unheard    // by car: logs that did not hear knock
	NeverMoved   map[string]NeverMoved // by car: those of which no log shows knock retard move
	Still        map[string]Still      // by car: logs in which charge temperature stood still
	KnockAgainst *Contradiction        // nil where events show the limit, or clean logs do not contradict physics

	passed []passage // of its pulls, while it is fitted

	ChargeByAmbient *Margin // charge temperature by the ambient temperature of its day; nil where few logs have both
}

// Fleet is a platform with its physics made ready and what its evidence taught. It is safe for concurrent use.
type Fleet struct {
	state.Preparer
	*Fit
}

// New joins a platform and a fit of it.
func New(p *state.Platform, f *Fit) *Fleet {
	p = p.WithHeat(f.Heat).WithProbe(f.Probe).WithFalls(f.Falls).WithStarvedShare(f.starvedShare())
	if f.BurnFit.Cars > 0 {
		p = p.WithBurn(f.BurnFit.BurnAngles)
	}
	return &Fleet{Preparer: state.Preparer{Platform: p, Rail: f.Rail, Knees: f.PumpKnees, Silent: f.unheardRuns(),
		DeadCharge: deadLogs(f.Still), Command: f.Commands},
		Fit: f}
}

// Learn fits a platform to rows of evidence; d says how wide its envelopes are.
func Learn(p *state.Platform, d workspace.Decision, rows []evidence.Row) (*Fleet, error) {
	still := stillIn(rows)
	rows = told(rows, still)
	f := &Fit{Margins: map[metric.ID]Margin{}, Suspects: map[string]Margin{}, Levels: map[metric.ID]Level{},
		Lacks: map[metric.ID]result.Lack{}, Envelopes: map[EnvelopeKey]Envelope{}, Rail: state.RailOf(rows),
		Doubts: doubtsOf(rows), Unheard: map[string]Unheard{},
		Still: still, Commands: p.CommandErrorOf(rows), Heat: p.HeatLineOf(rows),
		Probe: fitProbe(rows)}
	var err error
	if f.Weather, err = weatherOf(p, rows); err != nil {
		return nil, err
	}
	f.BurnFit = fitBurn(p, rows, f.Rail)
	fleet := New(p, f)
	p = fleet.Platform
	prepare := state.Preparer{Platform: p, Rail: f.Rail, Command: f.Commands}
	suspects := slices.Sorted(maps.Keys(f.Doubts))
	all := make([]state.Visit, len(rows))
	var pulls, steady []*state.Visit
	for i := range rows {
		all[i] = prepare.Logged(&rows[i])
		suspect := slices.Contains(suspects, rows[i].Vehicle)
		all[i].Each(func(s *state.State) { s.SuspectLambda = suspect })
		if rows[i].Kind == evidence.KindPull {
			pulls = append(pulls, &all[i])
		} else if rows[i].Kind == evidence.KindSteady {
			steady = append(steady, &all[i])
		}
	}
	if err := fleet.settleProbe(pulls); err != nil {
		return nil, fmt.Errorf("platform %s, lag of exhaust temperature: %w", p.ID, err)
	}
	f.Falls = fleet.fitFalls(pulls)
	p.Falls = f.Falls
	f.PumpKnees = p.PumpKnees(pulls)
	fleet.Knees = f.PumpKnees
	for i := range all {
		fleet.SetKnee(&all[i])
	}
	rowsOfPulls := evidence.PullRows(rows)
	f.Cars, f.Pulls = evidence.CountCars(rowsOfPulls), evidence.CountPulls(rowsOfPulls)
	f.Support = fleet.fitSupport(pulls, steady)
	if err := fleet.fitKnock(all); err != nil {
		return nil, err
	}
	f.passed = fleet.passages(pulls)
	if err := fleet.fitQuantities(pulls, suspects); err != nil {
		return nil, err
	}
	f.passed = nil
	f.Checks = fleet.checkFile(rows)
	if err := fleet.fitEnvelopes(d, all); err != nil {
		return nil, fmt.Errorf("platform %s: %w", p.ID, err)
	}
	return fleet, nil
}

// fitQuantities fits every limited metric that a log can show, and notes what the others lack.
func (f *Fleet) fitQuantities(pulls []*state.Visit, suspects []string) error {
	for i := range quantities {
		m := &quantities[i]
		if m.Measured == nil {
			continue
		}
		if m.Stands {
			level, err := fitLevel(f.Platform, m, pulls)
			if err != nil {
				return fmt.Errorf("platform %s, level of %s: %w", f.ID, m.ID, err)
			}
			f.Levels[m.ID] = level
			continue
		}
		if err := f.fitMeasured(m, pulls, suspects); err != nil {
			return fmt.Errorf("platform %s, metric %s: %w", f.ID, m.ID, err)
		}
		if share := f.starvedShare(); share != f.Platform.StarvedShare { // what comes after the mixture follows it
			f.Platform.StarvedShare = share
			f.passed = f.passages(pulls)
		}
	}
	if err := f.fitChargeByAmbient(pulls); err != nil {
		return fmt.Errorf("platform %s, charge by ambient temperature: %w", f.ID, err)
	}
	return nil
}
