package cli

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"headroom/internal/assess"
	"headroom/internal/demo"
	"headroom/internal/health"
	"headroom/internal/ingest"
	"headroom/internal/plainfile"
	"headroom/internal/report"
	"headroom/internal/report/show"
	"headroom/internal/workspace"
)

// demoFolder is where the demo goes when no folder is named.
const demoFolder = "headroom-demo"

func newDemo(e *env) *cobra.Command {
	var opt demo.Options
	c := &cobra.Command{
		Use:   "demo [DIR]",
		Short: "Build an invented fleet and run the whole job on it",
		Long: "Builds an invented fleet workspace in DIR (default ./" + demoFolder +
			", replaced when it is an earlier demo) and runs\n" +
			"the whole job on it: ingest, envelope, review of each proposed revision, audit, fleet. truth.json in " +
			"DIR says what is\n" +
			"really true of the invented cars.\n\n" + exitHelp,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 1 {
				return usageError{fmt.Errorf("demo takes at most one folder; see headroom demo --help")}
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			dir := demoFolder
			if len(args) == 1 {
				dir = args[0]
			}
			return e.demo(dir, opt)
		},
	}
	c.Flags().IntVar(&opt.Cars, "cars", demo.DefaultCars, "number of cars")
	c.Flags().Uint64Var(&opt.Seed, "seed", 1, "random seed; the same seed gives the same bytes")
	return c
}

func (e *env) demo(dir string, opt demo.Options) error {
	if err := clearDemo(dir); err != nil {
		return err
	}
	made, err := demo.Build(dir, opt)
	if err != nil {
		return err
	}
	e.note("invented %d cars with %d logs in %s", made.Cars, made.Logs, dir)
	ws, err := workspace.Open(dir)
	if err != nil {
		return err
	}
	for _, p := range ws.Problems {
		e.note("left out: %s", p)
	}
	step, end, err := e.bar("reading logs")
	if err != nil {
		return err
	}
	s, err := ingest.Ingest(ws, ingest.Options{Jobs: e.jobs, Progress: func(done, total int,
		_ string) {
		step(done, total)
	}})
	end()
	if err != nil {
		return err
	}
	for _, f := range s.Failed {
		e.note("left out: %s", f.Error)
	}
	st, err := openStore(ws)
	if err != nil {
		return err
	}
	job, err := assess.Open(ws, st, version())
	if err != nil {
		return err
	}
	return e.demoReports(ws, job, made)
}

// demoReports runs every question on the demo workspace, prints the reviews and writes everything as HTML.
func (e *env) demoReports(ws *workspace.Workspace, job *assess.Job, made demo.Summary) error {
	folder := filepath.Join(ws.Dir, "reports")
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	options := report.Options{Width: e.width(), Units: show.Units(ws.Config.Display), Colour: e.colour()}
	envelopes, err := job.Envelopes()
	if err != nil {
		return err
	}
	if err := writePage(folder, "envelope", func(w *bytes.Buffer) error {
		return report.Envelopes(w, envelopes, report.HTML, options)
	}); err != nil {
		return err
	}
	brief := options
	brief.Brief = true
	for _, id := range made.Proposed {
		r, err := job.Review(id)
		if err != nil {
			return err
		}
		if err := report.Review(e.out, r, report.Table, brief); err != nil {
			return err
		}
		name := "review-" + id
		if err := writePage(folder, name, func(w *bytes.Buffer) error {
			return report.Review(w, r, report.HTML, options)
		}); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "HTML report: %s\n\n", filepath.Join(folder, name+".html"))
	}
	audit, err := job.Audit("author", e.jobs, func(int, int) {})
	if err != nil {
		return err
	}
	if err := writePage(folder, "audit", func(w *bytes.Buffer) error {
		return report.Audit(w, audit, report.HTML, options)
	}); err != nil {
		return err
	}
	fleet, err := health.Review(job)
	if err != nil {
		return err
	}
	if err := writePage(folder, "fleet", func(w *bytes.Buffer) error {
		return report.Fleet(w, fleet, report.HTML, options)
	}); err != nil {
		return err
	}
	if err := report.Cautions(e.out, report.Table, options); err != nil {
		return err
	}
	fmt.Fprintf(e.out, "\nAlso written to %s: envelope.html, audit.html, fleet.html. What is really true is in %s.\n",
		folder, filepath.Join(ws.Dir, "truth.json"))
	return nil
}

func writePage(folder, name string, render func(w *bytes.Buffer) error) error {
	var buf bytes.Buffer
	if err := render(&buf); err != nil {
		return err
	}
	return plainfile.Write(filepath.Join(folder, name+".html"), buf.Bytes())
}

// clearDemo removes an earlier demo, recognised by its truth.json, and nothing else.
func clearDemo(dir string) error {
	entries, err := os.ReadDir(dir)
	if os.IsNotExist(err) || (err == nil && len(entries) == 0) {
		return nil
	}
	if err != nil {
		return err
	}
	if _, err := demo.ReadTruth(dir); err != nil {
		return fmt.Errorf("%s is not empty and not an earlier demo: name another folder", dir)
	}
	return os.RemoveAll(dir)
}
