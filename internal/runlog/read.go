package runlog

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"sort"

	"headroom/models/channel"
)

// DefaultMaxBytes bounds the unpacked size of a log when Options does not.
const DefaultMaxBytes = 4 << 30

// Options is what is known about a log from outside it. The zero value knows nothing.
type Options struct {
	ChannelMap   *Map    // user's channels.yaml, nil without one
	Rate         float64 // samples a second of a log without a time column; 0: not known
	Barometer    float64 // kPa absolute; 0 or NaN: not known
	Stoich       float64 // stoichiometric ratio by which logged air–fuel ratios are scaled; 0: not known
	Displacement float64 // of the engine, litres; 0: not known. Settles the unit of air mass flow when none is written
	MaxBytes     int64   // largest unpacked size; 0: DefaultMaxBytes
}

// Read reads a log file. One file can hold several runs, where its header is repeated or its time starts again. The error
// is a *FileError that names file, line where there is one, and remedy. Memory grows with the number of cells, some tens
// of bytes each.
func Read(path string, opts Options) ([]*Run, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, &FileError{File: path, What: "cannot be opened", Err: underlying(err), Remedy: "check the path and its permissions"}
	}
	if info.IsDir() {
		return nil, &FileError{File: path, What: "is a directory", Remedy: "name a log file in it"}
	}
	if !info.Mode().IsRegular() {
		return nil, &FileError{File: path, What: "is not a regular file", Remedy: "copy the log to a file first"}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, &FileError{File: path, What: "cannot be opened", Err: underlying(err), Remedy: "check the path and its permissions"}
	}
	defer f.Close()
	return ReadFrom(f, path, opts)
}

// underlying strips the path that os puts into its errors; FileError has it already.
func underlying(err error) error {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// ReadFrom is Read from a stream; source names it in runs and errors and is what channel-map patterns are matched with.
func ReadFrom(r io.Reader, source string, opts Options) ([]*Run, error) {
	runs, err := readRuns(r, source, opts)
	if err != nil {
		var fe *FileError
		if !errors.As(err, &fe) {
			err = &FileError{What: "cannot be read", Err: err, Remedy: "send the log again"}
		}
		return nil, named(err, source)
	}
	return runs, nil
}

func readRuns(r io.Reader, source string, opts Options) ([]*Run, error) {
	limit := opts.MaxBytes
	if limit <= 0 {
		limit = DefaultMaxBytes
	}
	src, err := openSource(r, limit)
	if err != nil {
		return nil, err
	}
	defer src.done()
	tb, err := src.table()
	if err != nil {
		return nil, err
	}
	rule := opts.ChannelMap.rulesFor(source)
	cw, err := settleTime(tb, rule, opts, tb.takenBy(rule))
	if err != nil {
		return nil, err
	}
	m := mapColumns(tb, rule, opts, cw)
	var speed []float64
	if b, ok := m.series[channel.EngineSpeed]; ok {
		speed = b.reading.values
	}
	stretches := cw.cutRuns(tb, speed)
	if len(stretches) == 0 {
		return nil, &FileError{Line: tb.dialect.FirstData, What: fmt.Sprintf("the time column %q never advances", cw.base.Column), Remedy: "name another in channels.yaml, or state a rate"}
	}
	for _, c := range tb.columns {
		c.values = nil // the settled series hold what is used; let the rest go
	}
	runs := make([]*Run, 0, len(stretches))
	for i, s := range stretches {
		run, empty := m.assemble(source, cw, s)
		if i == 0 {
			run.Findings = append(run.Findings, tb.findings...)
		}
		run.Findings = append(run.Findings, m.notes...)
		applyQuality(run, empty)
		runs = append(runs, run)
	}
	return runs, nil
}

// table reads whatever the source holds.
func (src *source) table() (*table, error) {
	if src.parquet != nil {
		return readParquet(src)
	}
	return readTable(src)
}

// takenBy lists the columns a user's map gives a channel, which therefore are not time.
func (tb *table) takenBy(rule FileRule) map[int]bool {
	taken := map[int]bool{}
	for i, c := range tb.columns {
		if r, ok := rule.find(c.header); ok && r.Channel != "none" {
			taken[i] = true
		}
	}
	return taken
}

// assemble cuts one run out of the settled columns, and says which cells the file leaves empty.
func (m *mapper) assemble(source string, cw *clockwork, s stretch) (*Run, map[channel.ID][]bool) {
	empty := map[channel.ID][]bool{}
	run := &Run{Source: source, Time: s.time, Dialect: m.tb.dialect, TimeBase: cw.base, Rows: len(s.rows), Findings: s.findings}
	run.Columns = append(run.Columns, m.columns...)
	run.SampleInterval, run.TimeBase.Rate = rateOf(s.time)
	for id, b := range m.series {
		series := Series{Channel: id, Column: b.header, Lag: b.lag, Values: b.reading.values}
		if len(s.rows) != m.tb.rows {
			series.Values = make([]float64, len(s.rows))
			for i, row := range s.rows {
				series.Values[i] = b.reading.values[row]
			}
		}
		run.Series = append(run.Series, series)
		if b.empty != nil {
			empty[id] = make([]bool, len(s.rows))
			for i, row := range s.rows {
				empty[id][i] = b.empty[row]
			}
		}
	}
	sort.Slice(run.Series, func(i, j int) bool {
		return channel.Order(run.Series[i].Channel) < channel.Order(run.Series[j].Channel)
	})
	return run, empty
}

// Channels lists the run's channels in channel-table order.
func (r *Run) Channels() []channel.ID {
	ids := make([]channel.ID, len(r.Series))
	for i := range r.Series {
		ids[i] = r.Series[i].Channel
	}
	return ids
}

// Duration is the time from the first to the last sample in seconds.
func (r *Run) Duration() float64 {
	if len(r.Time) == 0 {
		return 0
	}
	return r.Time[len(r.Time)-1]
}

// present reports whether v is a reading.
func present(v float64) bool { return !math.IsNaN(v) }
