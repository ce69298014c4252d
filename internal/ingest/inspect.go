package ingest

import (
	"errors"
	"fmt"
	"math"

	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/internal/runlog"
	"headroom/internal/store"
	"headroom/internal/workspace"
	"headroom/models/channel"
	"headroom/models/unit"
)

// Inspection is how one run of a log was read and what was found in it.
type Inspection struct {
	Path     string      // as given
	Error    string      // why the log cannot be read, "" when it can; then everything below is set
	Part     int         // 1-based number of the run in its file
	Parts    int         // runs in the file
	Platform string      // whose rules were used, "" for the defaults
	Vehicle  string      // "" when the log is not one of the workspace's
	Run      *runlog.Run // dialect, columns with reasons, time base, quality findings
	// of a log that cannot be read: its columns as far as they can be told without readings; nil where no table was
	// found
	Columns *runlog.Run

	LoadSource string // where absolute load comes from (evidence.LoadLogged …), "" without one
	Segments   []SegmentSummary
	Rows       int            // rows of evidence the run gives
	Unused     []store.Unused // what the log was not read for
	Findings   []runlog.Finding
	Lags       []evidence.LagEstimate
	Limits     []Limit // of the platform, on what the log shows
}

// Limit is a platform's limit on what a channel shows, in the channel's stored unit.
type Limit struct {
	Channel channel.ID
	Above   bool              // readings above it are beyond it, else those below
	At      func(int) float64 // by sample of the run; NaN where it does not apply
}

// SegmentSummary is one pull or steady stretch.
type SegmentSummary struct {
	Kind           string
	From, To       float64 // seconds
	RPMFrom, RPMTo float64 // at its ends
	Gear           float64 // NaN when not logged
	Cells          int     // cells it gives rows for
	Reason         string
}

// Inspect reads the logs as Ingest would and says how, without keeping anything. A log of the workspace gets the
// rules, lags and displacement of its platform; any other log, and every log when ws is nil, gets the default rules,
// and cells only where absolute load itself is logged; without a workspace the channels.yaml of the current folder
// counts, where there is one. A log that cannot be read is listed with its error. The error
// returned is for an unreadable channels.yaml.
func Inspect(paths []string, ws *workspace.Workspace) ([]Inspection, error) {
	r := &reader{}
	var err error
	if ws != nil {
		r, err = newReader(ws)
	} else {
		r.channels, r.mapSum, err = readChannels(channelsFile)
	}
	if err != nil {
		return nil, err
	}
	var out []Inspection
	for _, path := range paths {
		out = append(out, r.inspect(path)...)
	}
	return out, nil
}

func (r *reader) inspect(path string) (out []Inspection) {
	defer func() {
		if crash := recover(); crash != nil { // one log must not hide the others
			out = []Inspection{{Path: path, Error: fmt.Sprintf("%s: the reader failed on it (%v): please report it "+
				"with the log", path, crash)}}
		}
	}()
	base := Inspection{Path: path}
	fail := func(err error) []Inspection {
		base.Error = err.Error()
		return []Inspection{base}
	}
	d := workspace.Defaults()
	setup, options := rules(d.Cells, d.Pulls), runlog.Options{ChannelMap: r.channels}
	if r.ws != nil {
		options.Logger = r.ws.Config.Logs
	}
	if run := r.known(path); run != nil {
		s, err := r.setup(run)
		if err != nil {
			return fail(err)
		}
		setup, options = s, r.options(run)
		base.Platform, base.Vehicle = s.Platform, run.Vehicle
	}
	options.KeepUnread = true
	runs, err := firstRuns(path, options)
	if err != nil {
		base.Columns, _ = runlog.Preview(path, options) // why there is none has been said
		return fail(err)
	}
	for i, run := range runs {
		in := base
		in.Part, in.Parts, in.Run = i+1, len(runs), run
		in.Unused = unusedOf(run)
		in.find(setup)
		if in.Platform != "" {
			in.Limits = limitsOn(run, r.ws.Platforms[in.Platform], setup)
		}
		out = append(out, in)
	}
	return out
}

// limitsOn are the platform's limits on what a single channel shows, and the knock retard that it tolerates, by sample.
func limitsOn(run *runlog.Run, p *workspace.Platform, setup *evidence.Setup) []Limit {
	speed := run.Values(channel.EngineSpeed)
	load, _ := evidence.AbsoluteLoad(run, setup)
	at := func(values []float64, i int) float64 {
		if values == nil {
			return math.NaN()
		}
		return values[i]
	}
	var out []Limit
	for i := range p.Limits {
		l := &p.Limits[i]
		here := func(i int) float64 {
			v, applies := l.At(at(speed, i), at(load, i))
			if !applies {
				return math.NaN()
			}
			return v
		}
		info, ok := metric.Of(l.Metric)
		switch {
		case !ok:
		case l.Metric == metric.RailShortfall:
			target := run.Values(channel.RailPressureTarget)
			out = append(out, Limit{Channel: channel.RailPressure,
				At: func(i int) float64 { return at(target, i) - here(i) }})
		case l.Metric == metric.BoostOvershoot:
			target := run.Values(channel.ManifoldPressureTarget)
			out = append(out, Limit{Channel: channel.ManifoldPressure, Above: true,
				At: func(i int) float64 { return at(target, i) + here(i) }})
		case len(info.Shown) == 1:
			for _, id := range info.Shown[0].Channels {
				if d, _ := channel.Lookup(id); !sameUnit(info.Unit, d.Unit) {
					continue // it is computed from the channel
				}
				out = append(out, Limit{Channel: id, Above: info.Side == metric.Upper, At: here})
			}
		}
	}
	if k := p.KnockControl; k != nil {
		tolerated := k.ToleratedRetardDeg
		out = append(out, Limit{Channel: channel.KnockRetard, Above: true, At: func(int) float64 { return tolerated }})
	}
	return out
}

// sameUnit reports whether a unit's name is that of a unit.
func sameUnit(name string, u unit.Unit) bool {
	parsed, err := unit.Parse(name)
	return err == nil && parsed == u
}

// errEnough ends the reading of a log of which enough is held.
var errEnough = errors.New("enough")

// firstRuns reads the runs of a log, of one too long to be held only those at its beginning.
func firstRuns(path string, options runlog.Options) (runs []*runlog.Run, err error) {
	cells := 0
	err = runlog.Each(path, options, func(run *runlog.Run) error {
		cells += len(run.Time) * len(run.Columns)
		if len(runs) > 0 && cells > runlog.DefaultMaxCells {
			last := runs[len(runs)-1]
			end := last.Duration()
			last.Findings = append(last.Findings, runlog.Finding{Kind: runlog.KindCut, From: end, To: end,
				Detail: "the log goes on: only its beginning is shown here, while ingest reads all of it"})
			return errEnough
		}
		runs = append(runs, run)
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	return runs, nil
}

// known is the workspace's own entry of a log, nil when it is none of its logs.
func (r *reader) known(path string) *workspace.RunFile {
	if r.ws == nil {
		return nil
	}
	rel, ok := relative(r.ws.Dir, path)
	if !ok {
		return nil
	}
	for i := range r.ws.Runs {
		if r.ws.Runs[i].Path == rel {
			return &r.ws.Runs[i]
		}
	}
	return nil
}

// find fills in what evidence makes of the run.
func (in *Inspection) find(setup *evidence.Setup) {
	aligned := evidence.Align(in.Run, setup.Lags)
	_, in.LoadSource = evidence.AbsoluteLoad(aligned, setup)
	segments, _ := evidence.Segments(aligned, setup)
	rows, findings := evidence.Rows(in.Run, setup)
	in.Rows, in.Findings, in.Lags = len(rows), findings, evidence.EstimateLags(in.Run)
	cells := map[int]int{}
	for _, row := range rows {
		cells[int(row.Segment)]++
	}
	for i, s := range segments {
		low, high := ends(aligned, s)
		in.Segments = append(in.Segments, SegmentSummary{
			Kind: s.Kind, From: aligned.Time[s.From], To: aligned.Time[s.To-1],
			RPMFrom: low, RPMTo: high, Gear: s.Gear, Cells: cells[i], Reason: s.Reason,
		})
	}
}

// ends are the first and the last usable engine speed of a segment.
func ends(run *runlog.Run, s evidence.Segment) (first, last float64) {
	first, last = math.NaN(), math.NaN()
	for _, v := range run.Values(channel.EngineSpeed)[s.From:s.To] {
		if math.IsNaN(v) {
			continue
		}
		if math.IsNaN(first) {
			first = v
		}
		last = v
	}
	return first, last
}
