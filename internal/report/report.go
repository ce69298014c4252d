// Package report answers one question: how is a finished result shown to the person, or handed to the program, that
// asked for it? Result structs of internal/assess and internal/ingest go in; a terminal table, Markdown, one
// self-contained HTML page, JSON, CSV or Parquet comes out.
//
// The package words and never judges: one file a result turns its struct into a document, rows and plots. Every number
// is a field of the result; the only arithmetic is the change of units, counts of rows and differences of numbers that
// stand side by side. How a document is set, a drawing made, a number written and a file encoded is asked of the rooms
// below: text, draw, show and export. Human formats (table, md, html) are made from one document per result, so they
// cannot tell different stories, and they use the units of Options. Machine formats (json, csv, parquet) keep the units
// the result is stored in. What is not known is written "–" in the human formats, null in JSON and Parquet and an
// empty field in CSV: never zero. No published source is involved.
package report

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"headroom/internal/assess"
	"headroom/internal/health"
	"headroom/internal/ingest"
	"headroom/internal/report/export"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
	"headroom/internal/store"
)

// Format names an output format.
type Format string

// Formats. Table is for the terminal.
const (
	Table    Format = "table"
	JSON     Format = "json"
	Markdown Format = "md"
	HTML     Format = "html"
	CSV      Format = "csv"
	Parquet  Format = "parquet"
)

// Formats lists every format in the order in which help texts name them.
var formats = []Format{Table, JSON, Markdown, HTML, CSV, Parquet}

// Formats returns every format, in the order help texts name them.
func Formats() []Format { return append([]Format(nil), formats...) }

// ParseFormat reads a format name; letter case does not matter. The error lists the valid names.
func ParseFormat(name string) (Format, error) {
	names := make([]string, len(formats))
	for i, f := range formats {
		if strings.EqualFold(name, string(f)) {
			return f, nil
		}
		names[i] = string(f)
	}
	return "", fmt.Errorf("unknown format %q: use one of %s", name, strings.Join(names, ", "))
}

// Options says how a result is shown. The zero value is 80 columns, stored units, no colour.
type Options struct {
	Width  int        // columns of the terminal, table format only; 0 means 80, less than 40 is taken as 40
	Units  show.Units // display units of the table, md and html formats
	Brief  bool       // review only: verdict, ranked findings and what was not assessed; the caller adds the cautions
	Colour bool       // terminal colours and bold, table format only; the caller honours NO_COLOR
}

// Review writes a scored revision. CSV and Parquet hold one row a finding, then one row a hazard, so that a hazard
// that was not assessed is not lost.
func Review(w io.Writer, r *assess.Review, f Format, opt Options) error {
	if r == nil {
		return errNoResult
	}
	doc := reviewDocument
	if opt.Brief {
		doc = briefDocument
	}
	return write(w, f, opt, r, r.Stamp, func(d show.Display) text.Document { return doc(r, d) },
		func() []reviewRow { return reviewRows(r) })
}

// Cautions writes cautions alone, for a caller that shows several brief reviews.
func Cautions(w io.Writer, cautions []string, f Format, opt Options) error {
	return write(w, f, opt, cautions, result.Stamp{}, func(show.Display) text.Document {
		return text.Document{Kind: "cautions", Title: "Before anybody drives",
			Sections: []text.Section{cautionSection(cautions)}}
	}, func() []cautionRow { return cautionRows(cautions) })
}

// cautionRow is one caution in the flat formats.
type cautionRow struct {
	Caution string `csv:"caution" parquet:"caution"`
}

func cautionRows(cautions []string) []cautionRow {
	out := make([]cautionRow, len(cautions))
	for i, c := range cautions {
		out[i].Caution = c
	}
	return out
}

// Audit writes the ranking of every revision of a workspace. CSV and Parquet hold one row a revision, those that
// could not be scored last.
func Audit(w io.Writer, a *assess.Audit, f Format, opt Options) error {
	if a == nil {
		return errNoResult
	}
	return write(w, f, opt, a, a.Stamp, func(show.Display) text.Document { return auditDocument(a) },
		func() []auditRow { return auditRows(a) })
}

// Across writes one revision scored for every car of its platform. CSV and Parquet hold one row a hazard, then one a
// car, those that could not be scored last; the column "record" says which.
func Across(w io.Writer, a *assess.Across, f Format, opt Options) error {
	if a == nil {
		return errNoResult
	}
	return write(w, f, opt, a, a.Stamp, func(show.Display) text.Document { return acrossDocument(a) },
		func() []acrossRow { return acrossRows(a) })
}

// Against writes two revisions side by side. CSV and Parquet hold one row a revision, then one a hazard, then one a
// speed with torque; the column "record" says which.
func Against(w io.Writer, a *assess.Against, f Format, opt Options) error {
	if a == nil {
		return errNoResult
	}
	return write(w, f, opt, a, a.Stamp, func(d show.Display) text.Document { return againstDocument(a, d) },
		func() []againstRow { return againstRows(a) })
}

// Fleet writes the periodic health review. The human formats show what was called and the nearest few; CSV and Parquet
// hold every chart, trend, moved limit, new or gone cell, outcome, survival step, comparison and overdue car, one row
// each; the column "record" says which.
func Fleet(w io.Writer, a *health.Fleet, f Format, opt Options) error {
	if a == nil {
		return errNoResult
	}
	return write(w, f, opt, a, a.Stamp, func(d show.Display) text.Document { return fleetDocument(a, d) },
		func() []fleetRow { return fleetRows(a) })
}

// Envelopes writes what each platform has been shown to survive. CSV and Parquet hold one row a platform, fuel
// class, cell and metric.
func Envelopes(w io.Writer, e *assess.Envelopes, f Format, opt Options) error {
	if e == nil {
		return errNoResult
	}
	return write(w, f, opt, e, e.Stamp, func(d show.Display) text.Document { return envelopesDocument(e, d) },
		func() []envelopeRow { return envelopeRows(e) })
}

// Schemas of the results that have no stamp of their own.
const (
	schemaInspect = "headroom/inspect/1"
	schemaIngest  = "headroom/ingest/1"
	schemaVerify  = "headroom/verify/1"
)

// Inspections writes how logs are read. CSV and Parquet hold one row a column, finding, segment and lag of each log;
// the column "record" says which.
func Inspections(w io.Writer, in []ingest.Inspection, f Format, opt Options) error {
	return write(w, f, opt, inspectResult(in), result.Stamp{Schema: schemaInspect},
		func(show.Display) text.Document { return inspectDocument(in) },
		func() []inspectRow { return inspectRows(in) })
}

// Ingest writes what an ingest did. CSV and Parquet hold one row a count and one a log or setting that was left out.
func Ingest(w io.Writer, s *ingest.Summary, f Format, opt Options) error {
	if s == nil {
		return errNoResult
	}
	return write(w, f, opt, ingestResult(s), result.Stamp{Schema: schemaIngest},
		func(show.Display) text.Document { return ingestDocument(s) },
		func() []ingestRow { return ingestRows(s) })
}

// Faults writes what a check of the evidence store found; no fault is a result too.
func Faults(w io.Writer, faults []store.Fault, f Format, opt Options) error {
	return write(w, f, opt, verifyJSON{schemaVerify, verifyRows(faults)}, result.Stamp{Schema: schemaVerify},
		func(show.Display) text.Document { return verifyDocument(faults) },
		func() []faultJSON { return verifyRows(faults) })
}

var errNoResult = errors.New("nothing to report: the result is missing")

// write is the one road from a result to bytes. doc makes the human formats, rows the flat ones.
func write[R any](w io.Writer, f Format, opt Options, result any, stamp result.Stamp,
	doc func(show.Display) text.Document, rows func() []R) error {
	switch f {
	case JSON:
		return export.JSON(w, result)
	case CSV:
		return export.CSV(w, rows())
	case Parquet:
		return export.Parquet(w, stamp, rows())
	}
	d, err := show.NewDisplay(opt.Units)
	if err != nil {
		return err
	}
	switch f {
	case Table:
		return text.WriteTerminal(w, doc(d), opt.Width, opt.Colour)
	case Markdown:
		return text.WriteMarkdown(w, doc(d))
	case HTML:
		return text.WriteHTML(w, doc(d))
	}
	_, err = ParseFormat(string(f))
	return err
}
