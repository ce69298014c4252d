package fleet

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"headroom/internal/assess/state"
	"headroom/internal/metric"
	"headroom/internal/plainfile"
)

// FitVersion is part of a kept fit's digest: raise it with every change to how a platform is fitted. A metric that
// comes, goes or changes in the catalogue needs nothing: the catalogue is in the digest too.
const FitVersion = 42

// fitFile is a platform's fit as kept under .headroom/fits, with the digest of everything it depends on.
type fitFile struct {
	Digest    string           `json:"digest"`
	Fit       *Fit             `json:"fit"`
	Envelopes []fitFileSection `json:"envelopes"`
}

// fitFileSection is one envelope with the key a map cannot carry into JSON.
type fitFileSection struct {
	Kind     string        `json:"kind"`
	Class    string        `json:"class"`
	Metric   metric.ID     `json:"metric"`
	Cell     state.CellKey `json:"cell"`
	Envelope Envelope      `json:"envelope"`
}

// ReadFit reads a kept fit; ok is false where there is none, it cannot be read, or it was made from something else than
// digest stands for: it is derived state and made again.
func ReadFit(path, digest string) (f *Fit, ok bool) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, false
	}
	var file fitFile
	if json.Unmarshal(b, &file) != nil || file.Digest != digest || file.Fit == nil {
		return nil, false
	}
	file.Fit.Envelopes = map[EnvelopeKey]Envelope{}
	for _, e := range file.Envelopes {
		file.Fit.Envelopes[EnvelopeKey{e.Kind, e.Class, e.Metric, e.Cell}] = e.Envelope
	}
	return file.Fit, true
}

// WriteFit keeps a fit under the digest of everything it depends on.
func WriteFit(path, digest string, f *Fit) error {
	file := fitFile{Digest: digest, Fit: f, Envelopes: []fitFileSection{}}
	for _, k := range f.envelopeKeys() {
		file.Envelopes = append(file.Envelopes, fitFileSection{k.Kind, k.Class, k.Metric, k.Cell,
			f.Envelopes[k]})
	}
	b, err := json.Marshal(file)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return plainfile.Write(path, b)
}
