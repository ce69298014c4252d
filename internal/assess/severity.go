package assess

import "headroom/internal/workspace"

// severityWeights is what a crossing counts when findings and revisions are ranked, by severity (common practice, no
// source).
var severityWeights = map[string]float64{
	workspace.Minor: 1, workspace.Moderate: 3, workspace.Major: 10, workspace.Catastrophic: 30,
}
