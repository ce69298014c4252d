package runlog

import (
	"errors"
	"io"
	"math"
	"os"
	"syscall"

	"headroom/internal/fault"
	"headroom/internal/runlog/channelmap"
	"headroom/internal/runlog/source"
)

// DefaultMaxBytes bounds the size of a log when Options does not.
const DefaultMaxBytes = 4 << 30

// Options is what is known about a log from outside it. The zero value knows nothing.
type Options struct {
	ChannelMap *channelmap.Map // user's channels.yaml, nil without one
	Rate       float64         // samples a second of a log without a time column; 0: not known
	Barometer  float64         // kPa absolute; 0 or NaN: not known
	// what is stated of the log's own barometer, kPa absolute, else of its logger and place; channels.yaml goes before
	// the logger
	Logger channelmap.Logger
	Stoich float64 // stoichiometric ratio by which logged air–fuel ratios are scaled; 0: not known
	// of the engine, litres; 0: not known. Settles the unit of air mass flow when none is written
	Displacement float64
	// largest size of the log in bytes, packed and unpacked; one byte more is an error. 0: DefaultMaxBytes
	MaxBytes   int64
	KeepUnread bool // keep the numbers of columns that are left out, to be shown (Run.Unread)
	// cells (rows × columns of the file) that Each holds at once, but at least 256 rows; 0: DefaultMaxCells
	MaxCells int
}

// maxBytes is the bound in force.
func (o Options) maxBytes() int64 {
	if o.MaxBytes <= 0 {
		return DefaultMaxBytes
	}
	return o.MaxBytes
}

// maxCells is the bound in force.
func (o Options) maxCells() int {
	if o.MaxCells <= 0 {
		return DefaultMaxCells
	}
	return o.MaxCells
}

// Read reads a log file whole. One file can hold several runs, where its header is repeated or its time starts again.
// The error is a *fault.Fault that names file, line where there is one, and remedy. Memory grows with the number of
// cells, some tens of bytes each: Each reads a log of any length in bounded memory.
func Read(path string, opts Options) ([]*Run, error) {
	f, size, err := open(path, opts.maxBytes())
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return readAll(source.Input{Reader: f, At: f, Size: size}, path, opts)
}

// ReadFrom is Read from a stream; name is its own in runs and errors and is what channel-map patterns are matched with.
func ReadFrom(r io.Reader, name string, opts Options) ([]*Run, error) {
	return readAll(source.Input{Reader: r}, name, opts)
}

func readAll(in source.Input, name string, opts Options) ([]*Run, error) {
	var runs []*Run
	err := each(in, name, opts, math.MaxInt, func(r *Run) error {
		runs = append(runs, r)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return runs, nil
}

// cannotOpen words why a path does not lead to a log.
func cannotOpen(path string, err error) error {
	f := &fault.Fault{File: path, What: "cannot be opened", Cause: underlying(err),
		Remedy: "check the path and its permissions"}
	if errors.Is(err, syscall.ELOOP) {
		f.Remedy = "symbolic links lead in a circle: replace the link by the log it stands for"
	}
	return f
}

// underlying strips the path that os puts into its errors; the fault has it already.
func underlying(err error) error {
	var pe *os.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// asFault names the file in an error of the reader.
func asFault(err error, name string) error {
	var f *fault.Fault
	if !errors.As(err, &f) {
		err = &fault.Fault{What: "cannot be read", Cause: err, Remedy: "send the log again"}
	}
	return fault.Name(err, name)
}
