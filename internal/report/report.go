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
	Width int        // columns of the terminal, table format only; 0 means 80, less than 40 is taken as 40
	Units show.Units // display units of the table, md and html formats
	// review: verdict, ranked findings and what was not assessed, the caller adds the cautions; inspect: a screen a log
	Brief  bool
	Colour bool // terminal colours and bold, table format only; the caller honours NO_COLOR
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
	return write(w, f, opt, r.Stamp, worded(r, wordedReview), doc, reviewRows)
}

// Cautions writes the standing cautions alone, for a caller that shows several brief reviews.
func Cautions(w io.Writer, f Format, opt Options) error {
	doc := func(c []string, _ show.Display) text.Document {
		return text.Document{Kind: "cautions", Title: "Before anybody drives",
			Sections: []text.Section{cautionSection(c)}}
	}
	return write(w, f, opt, result.Stamp{}, asIs(StandingCautions), doc, cautionRows)
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
	return write(w, f, opt, a.Stamp, worded(a, wordedAudit), auditDocument, auditRows)
}

// Across writes one revision scored for every car of its platform. CSV and Parquet hold one row a hazard, then one a
// car, those that could not be scored last; the column "record" says which.
func Across(w io.Writer, a *assess.Across, f Format, opt Options) error {
	if a == nil {
		return errNoResult
	}
	return write(w, f, opt, a.Stamp, worded(a, wordedAcross), acrossDocument, acrossRows)
}

// Against writes two revisions side by side. CSV and Parquet hold one row a revision, then one a hazard, then one a
// speed with torque; the column "record" says which.
func Against(w io.Writer, a *assess.Against, f Format, opt Options) error {
	if a == nil {
		return errNoResult
	}
	return write(w, f, opt, a.Stamp, worded(a, wordedAgainst), againstDocument, againstRows)
}

// Fleet writes the periodic health review. The human formats show what was called and the nearest few; CSV and Parquet
// hold every chart, trend, moved limit, new or gone cell, outcome, survival step, comparison and overdue car, one row
// each; the column "record" says which.
func Fleet(w io.Writer, a *health.Fleet, f Format, opt Options) error {
	if a == nil {
		return errNoResult
	}
	return write(w, f, opt, a.Stamp, worded(a, wordedFleet), fleetDocument, fleetRows)
}

// Envelopes writes what each platform has been shown to survive. CSV and Parquet hold one row a platform, fuel
// class, cell and metric.
func Envelopes(w io.Writer, e *assess.Envelopes, f Format, opt Options) error {
	if e == nil {
		return errNoResult
	}
	return write(w, f, opt, e.Stamp, worded(e, wordedEnvelopes), envelopesDocument, envelopeRows)
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
	document := inspectDocument
	if opt.Brief {
		document = inspectBrief
	}
	doc := func(inspectJSON, show.Display) text.Document { return document(in) }
	rows := func(inspectJSON) []inspectRow { return inspectRows(in) }
	return write(w, f, opt, result.Stamp{Schema: schemaInspect}, asIs(inspectResult(in)), doc, rows)
}

// Ingest writes what an ingest did. CSV and Parquet hold one row a count and one a log or setting that was left out.
func Ingest(w io.Writer, s *ingest.Summary, f Format, opt Options) error {
	if s == nil {
		return errNoResult
	}
	tell := func(w words) ingestJSON { return ingestResult(s, w) }
	doc := func(told ingestJSON, _ show.Display) text.Document { return ingestDocument(s, told.Suspects) }
	rows := func(told ingestJSON) []ingestRow { return ingestRows(s, told.Suspects) }
	return write(w, f, opt, result.Stamp{Schema: schemaIngest}, tell, doc, rows)
}

// Mismatches writes what a check of the evidence store found; none is a result too.
func Mismatches(w io.Writer, faults []store.Mismatch, f Format, opt Options) error {
	told := verifyJSON{schemaVerify, verifyRows(faults)}
	doc := func(verifyJSON, show.Display) text.Document { return verifyDocument(faults) }
	rows := func(v verifyJSON) []faultJSON { return v.Faults }
	return write(w, f, opt, result.Stamp{Schema: schemaVerify}, asIs(told), doc, rows)
}

var errNoResult = errors.New("nothing to report: the result is missing")

// worded gives a result its words.
func worded[T any](r *T, say func(*T, words) *T) func(words) *T {
	return func(w words) *T { return say(r, w) }
}

// asIs is a result that needs no words of its own.
func asIs[T any](r T) func(words) T { return func(words) T { return r } }

// write is the one road from a result to bytes. tell gives the result its words, doc makes the human formats, rows the
// flat ones.
func write[T, R any](w io.Writer, f Format, opt Options, stamp result.Stamp, tell func(words) T,
	doc func(T, show.Display) text.Document, rows func(T) []R) error {
	forPrograms := f == JSON || f == CSV || f == Parquet
	if forPrograms {
		opt.Units = show.Units{} // stored units, in its sentences too
	}
	d, err := show.NewDisplay(opt.Units)
	if err != nil {
		return err
	}
	told := tell(words{Display: d, forPrograms: forPrograms})
	switch f {
	case JSON:
		return export.JSON(w, told)
	case CSV:
		return export.CSV(w, rows(told))
	case Parquet:
		return export.Parquet(w, stamp, rows(told))
	case Table:
		return text.WriteTerminal(w, doc(told, d), opt.Width, opt.Colour)
	case Markdown:
		return text.WriteMarkdown(w, doc(told, d))
	case HTML:
		return text.WriteHTML(w, doc(told, d))
	}
	_, err = ParseFormat(string(f))
	return err
}
