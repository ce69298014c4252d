package report

import (
	"headroom/internal/assess"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/report/export"
	"headroom/internal/result"
)

// reviewRow is one line of a review, flat. Record is "finding" for a hazard in a cell and "hazard" for the summary of
// one hazard; columns of the other record are not known. Predicted, limit and margin are in the row's unit.
type reviewRow struct {
	Record         string          `parquet:"record,dict"`
	Revision       string          `parquet:"revision,dict"`
	Parent         string          `parquet:"parent,dict"`
	Platform       string          `parquet:"platform,dict"`
	Vehicle        string          `parquet:"vehicle,dict"`
	Author         string          `parquet:"author,dict"`
	Fuel           string          `parquet:"fuel,dict"`
	Verdict        assess.Verdict  `parquet:"verdict,dict"`
	Rank           *int64          `parquet:"rank,optional"`
	Hazard         hazard.ID       `parquet:"hazard,dict"`
	Severity       hazard.Severity `parquet:"severity,dict"`
	Status         result.Status   `parquet:"status,dict"`
	RPMLow         *float64        `parquet:"low_rpm,optional"`
	RPMHigh        *float64        `parquet:"high_rpm,optional"`
	LoadLow        *float64        `parquet:"load_low_pct,optional"`
	LoadHigh       *float64        `parquet:"load_high_pct,optional"`
	Metric         metric.ID       `parquet:"metric,dict"`
	Unit           string          `parquet:"unit,dict"`
	Predicted      *float64        `parquet:"predicted,optional"`
	PredictedLow   *float64        `parquet:"predicted_low90,optional"`
	PredictedHigh  *float64        `parquet:"predicted_high90,optional"`
	Limit          *float64        `parquet:"limit,optional"`
	LimitSource    string          `parquet:"limit_source,dict"`
	Margin         *float64        `parquet:"margin,optional"`
	MarginSD       *float64        `parquet:"margin_sd,optional"`
	Probability    *float64        `parquet:"probability_per_pull,optional"`
	ProbabilityLo  *float64        `parquet:"probability_per_pull_low90,optional"`
	ProbabilityHi  *float64        `parquet:"probability_per_pull_high90,optional"`
	EnvelopeLimit  *float64        `parquet:"envelope_limit,optional"`
	EnvelopeInside *bool           `parquet:"envelope_inside,optional"`
	Cars           int64           `parquet:"cars"`
	Pulls          int64           `parquet:"pulls"`
	Basis          assess.Basis    `parquet:"basis,dict"`
	ChangeSpark    *float64        `parquet:"change_spark_deg,optional"`
	ChangeLambda   *float64        `parquet:"change_lambda,optional"`
	ChangeBoost    *float64        `parquet:"change_boost_kpa,optional"`
	Say            string          `parquet:"say"`
	Digest         string          `parquet:"workspace_digest,dict"`
	Seed           uint64          `parquet:"seed"`
}

func reviewRows(r *assess.Review) []reviewRow {
	common := reviewRow{
		Revision: r.Revision, Parent: r.Parent, Platform: r.Platform, Vehicle: r.Vehicle, Author: r.Author,
		Fuel:    r.Fuel,
		Verdict: r.Verdict, Digest: r.WorkspaceDigest, Seed: r.Seed,
	}
	status := map[hazard.ID]result.Status{}
	for _, h := range r.Hazards {
		status[h.Hazard] = h.Status
	}
	var rows []reviewRow
	for i := range r.Findings {
		f := &r.Findings[i]
		out := common
		out.Record, out.Rank, out.Hazard, out.Severity, out.Status = "finding", export.Some(int64(f.Rank)), f.Hazard,
			f.Severity, status[f.Hazard]
		out.RPMLow, out.RPMHigh = export.Known(f.Cell.RPM[0]), export.Known(f.Cell.RPM[1])
		out.LoadLow, out.LoadHigh = export.Known(f.Cell.LoadPct[0]), export.Known(f.Cell.LoadPct[1])
		out.Metric, out.Unit = f.Metric, f.Unit
		out.Predicted, out.PredictedLow, out.PredictedHigh = export.Known(f.Predicted), export.Known(f.Interval90[0]),
			export.Known(f.Interval90[1])
		out.Limit, out.LimitSource, out.Margin, out.MarginSD = export.Known(f.Limit), f.LimitSource,
			export.Known(f.Margin),
			export.Known(f.MarginSD)
		out.Probability = export.Known(f.ProbabilityPerPull)
		out.EnvelopeLimit, out.EnvelopeInside = export.Known(f.Envelope.Limit), f.Envelope.Inside
		out.Cars, out.Pulls, out.Basis = int64(f.Envelope.Cars), int64(f.Envelope.Pulls), f.Basis
		out.ChangeSpark, out.ChangeLambda, out.ChangeBoost = export.Known(f.Change.SparkDeg),
			export.Known(f.Change.Lambda),
			export.Known(f.Change.BoostKPa)
		out.Say = f.Say
		rows = append(rows, out)
	}
	for _, h := range r.Hazards {
		out := common
		out.Record, out.Hazard, out.Severity, out.Status, out.Say = "hazard", h.Hazard, h.Severity, h.Status, h.Why
		out.Probability, out.ProbabilityLo, out.ProbabilityHi = export.Known(h.ProbabilityPerPull),
			export.Known(h.Interval90[0]),
			export.Known(h.Interval90[1])
		out.Cars, out.Pulls, out.Basis = int64(h.Cars), int64(h.Pulls), h.Basis
		rows = append(rows, out)
	}
	return rows
}
