package demo

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"

	"headroom/internal/hazard"
)

// TruthFile is the name of the file, beside the workspace's own, that says what is true.
const TruthFile = "truth.json"

// Truth is everything the invented fleet hides from the tool.
type Truth struct {
	Schema     string          `json:"schema"`
	Seed       uint64          `json:"seed"`
	Cars       int             `json:"cars"`
	Proving    bool            `json:"proving,omitempty"` // Options.Proving
	Note       string          `json:"note"`
	Fleet      []CarTruth      `json:"fleet"`
	Proposed   []ProposalTruth `json:"proposed"`
	Unreadable string          `json:"unreadable"` // the log that cannot be read
}

// CarTruth is one car.
type CarTruth struct {
	Vehicle  string `json:"vehicle"`
	Platform string `json:"platform"`
	Fuel     string `json:"fuel"`
	// added to an average car's knock-limited spark at the start of the history
	KnockOffsetDeg        float64      `json:"knock_offset_deg"`
	LearnedRetardDeg      float64      `json:"learned_retard_deg"`
	LambdaSensorBias      float64      `json:"lambda_sensor_bias"`
	ManifoldSensorBiasKPa float64      `json:"manifold_sensor_bias_kpa"`
	ChargeSensorBiasK     float64      `json:"charge_sensor_bias_k"`
	BreathingFactor       float64      `json:"breathing_factor"`   // on volumetric efficiency
	IntercoolerFactor     float64      `json:"intercooler_factor"` // on effectiveness
	PumpFactor            float64      `json:"pump_factor"`        // on capacity
	Faults                []FaultTruth `json:"faults"`
	Logs                  []LogTruth   `json:"logs"`
}

// FaultTruth is one planted fault.
type FaultTruth struct {
	Fault  string  `json:"fault"`
	Metric string  `json:"metric"`
	Size   float64 `json:"size"`
	Unit   string  `json:"unit"`
	Say    string  `json:"say"`
}

// LogTruth is one log: the tank it was driven on and what was counted in it.
type LogTruth struct {
	Path               string  `json:"path"`
	Date               string  `json:"date"`
	Revision           string  `json:"revision"`
	RON                float64 `json:"ron"`
	EthanolShare       float64 `json:"ethanol_share"`
	Pulls              int     `json:"pulls"`
	PullCells          int     `json:"pull_cells"` // visits of 500 rpm × 20 % cells at full pedal
	PullCellsWithKnock int     `json:"pull_cells_with_knock"`
	KnockOffsetDeg     float64 `json:"knock_offset_deg"` // on that date
	Leak               float64 `json:"boost_leak"`       // 0–1
	StuckCoolant       bool    `json:"stuck_coolant"`
}

// ProposalTruth is what a proposed revision would really do to its car.
type ProposalTruth struct {
	Revision     string        `json:"revision"`
	Parent       string        `json:"parent"`
	Vehicle      string        `json:"vehicle"`
	Platform     string        `json:"platform"`
	Kind         Kind          `json:"kind"` // what was changed
	SparkDeg     float64       `json:"spark_deg"`
	Lambda       float64       `json:"lambda"`
	BoostKPa     float64       `json:"boost_kpa"`
	RPM          []float64     `json:"rpm"`                // where it was changed
	LoadPct      []float64     `json:"load_pct,omitempty"` // where, for kinds that are bounded in load
	CamDeg       float64       `json:"cam_deg,omitempty"`
	Fuel         string        `json:"fuel,omitempty"`  // another than the parent's
	Part         string        `json:"part,omitempty"`  // "item: part", another than the parent's
	Pulls        int           `json:"simulated_pulls"` // the probabilities are shares of these
	Hazards      []HazardTruth `json:"hazards"`
	WorstHazard  hazard.ID     `json:"worst_hazard"` // most probable major or catastrophic hazard, "" when none was met
	WorstRPM     []float64     `json:"worst_rpm"`
	WorstPerPull float64       `json:"worst_probability_per_pull"`
	IfVisited    *VisitTruth   `json:"if_visited,omitempty"` // kinds that change what usual pulls leave out
}

// HazardTruth is the share of simulated pulls that crossed a hazard's limit, and where they first did.
type HazardTruth struct {
	Hazard             hazard.ID       `json:"hazard"`
	Severity           hazard.Severity `json:"severity"`
	ProbabilityPerPull float64         `json:"probability_per_pull"`
	// middle 80 % of first crossings on a 500 rpm grid, null without crossings
	RPM []float64 `json:"rpm"`
}

// Hazard returns the truth about one hazard; the zero value when there is none of that name.
func (p *ProposalTruth) Hazard(id hazard.ID) HazardTruth {
	for _, h := range p.Hazards {
		if h.Hazard == id {
			return h
		}
	}
	return HazardTruth{}
}

// ReadTruth reads the truth file of a demo workspace. It fails when the directory was not made by Build.
func ReadTruth(dir string) (Truth, error) {
	file := filepath.Join(dir, TruthFile)
	var t Truth
	b, err := os.ReadFile(file)
	if err != nil {
		return t, fmt.Errorf("%s is not a demo workspace: %w", dir, err)
	}
	if err := json.Unmarshal(b, &t); err != nil {
		return t, fmt.Errorf("reading %s: %w; build the demo again", file, err)
	}
	return t, nil
}

func (c *car) truth() CarTruth {
	t := CarTruth{
		Vehicle: c.id, Platform: c.engine.id, Fuel: c.fuel.id,
		KnockOffsetDeg: round(c.knockOffset, 0.001), LearnedRetardDeg: c.learned,
		LambdaSensorBias: round(c.lambdaBias, 0.0001), ManifoldSensorBiasKPa: round(c.manifoldBias, 0.01),
		ChargeSensorBiasK: round(c.chargeBias, 0.01),
		BreathingFactor:   round(c.ve, 0.0001), IntercoolerFactor: round(c.intercooler, 0.0001), PumpFactor: c.pump,
		Faults: append([]FaultTruth{}, c.faults...),
	}
	for _, l := range c.logs {
		t.Logs = append(t.Logs, l.truth)
	}
	return t
}
