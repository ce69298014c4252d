package ingest

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"slices"

	"headroom/internal/evidence"
	"headroom/internal/plainfile"
	"headroom/internal/runlog"
	"headroom/internal/runlog/channelmap"
	"headroom/internal/store"
	"headroom/internal/workspace"
	"headroom/models/channel"
	"headroom/models/engine"
	"headroom/models/unit"
)

const channelsFile = "channels.yaml"

// reader reads the logs of one workspace.
type reader struct {
	ws       *workspace.Workspace
	channels *channelmap.Map // nil without channels.yaml
	mapSum   string          // digest of channels.yaml, "" without
	maxCells int             // of a log held at once; 0: runlog's default
}

func newReader(ws *workspace.Workspace) (*reader, error) {
	r := &reader{ws: ws}
	var err error
	if r.channels, r.mapSum, err = readChannels(filepath.Join(ws.Dir, channelsFile)); err != nil {
		return nil, err
	}
	return r, nil
}

// readChannels reads a channel map and its digest; nil and "" where there is none.
func readChannels(name string) (*channelmap.Map, string, error) {
	sum, err := store.HashFile(name, plainfile.YAML)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, "", nil
	}
	if err != nil {
		return nil, "", fmt.Errorf("%s: %w", channelsFile, err)
	}
	m, err := channelmap.Load(name)
	if err != nil {
		return nil, "", err
	}
	return m, sum, nil
}

// alias is the name a log or a car goes by in the store.
func (r *reader) alias(id string) string {
	return store.Pseudonym(r.ws.Config.Privacy.PseudonymKey, id)
}

// options is how the run's log is read. The stoichiometric ratio by which the logger scales a displayed air–fuel
// ratio is the logger's, not the fuel's.
func (r *reader) options(run *workspace.RunFile) runlog.Options {
	o := runlog.Options{ChannelMap: r.channels, Barometer: run.BaroKPa, MaxCells: r.maxCells,
		Logger: r.ws.Config.Logs}
	v := r.ws.Vehicles[run.Vehicle]
	if v != nil {
		o.Logger = v.Logger.Over(o.Logger)
	}
	if v != nil && r.ws.Platforms[v.Platform] != nil {
		o.Displacement = displacement(r.ws.Platforms[v.Platform].Engine)
	}
	return o
}

// setup is what evidence needs to know about the run's car and platform.
func (r *reader) setup(run *workspace.RunFile) (*evidence.Setup, error) {
	v := r.ws.Vehicles[run.Vehicle]
	if v == nil {
		return nil, fmt.Errorf("%s: vehicle %s is not in vehicles.csv: add its row", run.Path, run.Vehicle)
	}
	p := r.ws.Platforms[v.Platform]
	if p == nil {
		return nil, fmt.Errorf("%s: platform %s of vehicle %s could not be read: mend platforms/%s.yaml", run.Path,
			v.Platform, v.ID, v.Platform)
	}
	s := rules(p.Cells, p.Pulls)
	s.Platform, s.Vehicle, s.Revision = p.ID, r.alias(run.Vehicle), run.Revision
	s.Fuel, s.Run, s.Date = run.Fuel, r.alias(run.Path), run.Date
	s.Ambient, s.Barometer = run.AmbientC, run.BaroKPa
	s.Cylinders = p.Engine.Cylinders
	s.DisplacementL = displacement(p.Engine)
	s.Lags = p.Lags
	if p.AirPath != nil && p.AirPath.VolumetricEfficiency.Known() {
		s.VolumetricEfficiency = p.AirPath.VolumetricEfficiency.At
	}
	if k := p.KnockControl; k != nil {
		s.Knock = &evidence.KnockControl{StepDeg: k.StepDeg, RecoveryDegPerSecond: k.RecoveryDegPerSecond}
	}
	return s, s.Check()
}

// displacement of the whole engine in litres.
func displacement(e workspace.Engine) float64 {
	g := engine.Geometry{Bore: e.BoreMM / 1000, Stroke: e.StrokeMM / 1000, Cylinders: e.Cylinders}
	return g.Displacement() / unit.CubicMetrePerLitre
}

// rules turns the platform's grid and pull rules into a setup that knows nothing else.
func rules(cells workspace.Cells, pulls workspace.Pulls) *evidence.Setup {
	return &evidence.Setup{
		RPMStep: cells.RPMStep, LoadStep: cells.LoadStep,
		Pulls: evidence.PullRules{
			ThrottleMin: pulls.ThrottleMin, MinSeconds: pulls.MinSeconds, MinSpanRPM: pulls.MinSpanRPM,
			SteadySeconds: pulls.SteadySeconds, WarmCoolant: pulls.WarmCoolantC,
		},
		Ambient: math.NaN(), Barometer: math.NaN(),
	}
}

// digest is the SHA-256 over everything besides the log that its rows depend on: a change of it makes the log be
// read again.
func (r *reader) digest(run *workspace.RunFile, s *evidence.Setup) string {
	h := sha256.New()
	fmt.Fprintf(h, "%q %q %q %q %q %q\n", s.Platform, s.Vehicle, s.Revision, s.Fuel, s.Run, s.Date)
	fmt.Fprintln(h, s.DisplacementL, s.Cylinders, s.RPMStep, s.LoadStep, s.Pulls, s.Ambient, s.Barometer)
	if p := r.ws.Platforms[s.Platform]; p.AirPath != nil {
		fmt.Fprintln(h, "ve", p.AirPath.VolumetricEfficiency)
	}
	ids := make([]channel.ID, 0, len(s.Lags))
	for id := range s.Lags {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for _, id := range ids {
		fmt.Fprintf(h, "lag %q %v\n", id, s.Lags[id])
	}
	if s.Knock != nil {
		fmt.Fprintln(h, "knock", *s.Knock)
	}
	o := r.options(run)
	fmt.Fprintln(h, "read", o.Rate, o.Barometer, o.Stoich, o.Displacement, r.mapSum)
	fmt.Fprintln(h, "logger", o.Logger.Barometer, o.Logger.Stoich, o.Logger.LambdaLag)
	if o.Logger.Altitude != nil {
		fmt.Fprintln(h, "altitude", *o.Logger.Altitude)
	}
	return hex.EncodeToString(h.Sum(nil))
}
