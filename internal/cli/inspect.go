package cli

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"headroom/internal/ingest"
	"headroom/internal/plainfile"
	"headroom/internal/report"
	"headroom/internal/runlog"
	"headroom/internal/workspace"
)

func newInspect(e *env) *cobra.Command {
	write, plot, full := false, false, false
	c := &cobra.Command{
		Use:   "inspect FILE…",
		Short: "Show how a log is read, and why",
		Long: "Shows how logs are read: layout, time base, the channel and unit of each column with the reason (or " +
			"why it is not\n" +
			"used), doubts about the data, pulls and steady stretches found, lags. In the terminal each log takes a " +
			"screen; --full\n" +
			"and the other formats show all. Works with and without a workspace.\n\n" +
			"With --plot, one HTML page of every channel over time is written instead, all logs on it: to --output, " +
			"by default to\n" +
			"a file in the current folder named after the first log. Columns left out are grey; pulls are laid " +
			"over one another\n" +
			"by engine speed and by time, and drawn each by itself, with the platform's limits.\n\n" +
			"Exit status: 0 done; 1 failed, or a log could not be read; 2 wrong usage.",
		Args: atLeastOne("one or more log files"),
		RunE: func(_ *cobra.Command, args []string) error {
			if plot && e.format != string(report.Table) && e.format != string(report.HTML) {
				return usageError{fmt.Errorf("--plot writes an html page, not %s: leave out --format, or --plot",
					e.format)}
			}
			ws, err := e.inspectWorkspace()
			if err != nil {
				return err
			}
			seen, err := ingest.Inspect(args, ws)
			if err != nil {
				return err
			}
			for _, s := range seen {
				if s.Error != "" {
					e.status = exitFailed
				}
			}
			if write {
				if err := e.writeChannelMap(seen, ws); err != nil {
					return err
				}
			}
			display := workspace.Defaults().Display
			if ws != nil {
				display = ws.Config.Display
			}
			if plot {
				return e.plotLogs(seen, display)
			}
			return e.print("inspect", display, func(w *bytes.Buffer, f report.Format, opt report.Options) error {
				opt.Brief = f == report.Table && !full
				return report.Inspections(w, seen, f, opt)
			})
		},
	}
	c.Flags().BoolVar(&full, "full", false, "in the terminal too show every column's reason, doubt, segment and lag")
	c.Flags().BoolVar(&plot, "plot", false, "write an HTML page of every channel over time, with what was found where")
	c.Flags().BoolVar(&write, "write", false, "save a channels.yaml to edit, made from how the logs were read, or why "+
		"not")
	return c
}

// inspectWorkspace is the workspace around, or nil: inspect also serves a stranger's file in an empty folder.
func (e *env) inspectWorkspace() (*workspace.Workspace, error) {
	if e.workspace == "" {
		if _, err := workspace.Find("."); err != nil {
			return nil, nil //nolint:nilerr // no workspace is a valid answer here
		}
	}
	return e.openWorkspace()
}

// plotLogs writes the page of --plot. A log that could not be read is told on standard error too, because the page may
// not be looked at.
func (e *env) plotLogs(seen []ingest.Inspection, display workspace.Display) error {
	readable := false
	for _, s := range seen {
		if s.Error != "" {
			e.note("not readable: %s", s.Error)
		}
		readable = readable || s.Run != nil
	}
	if !readable {
		return errors.New("no log could be read, so there is nothing to plot")
	}
	page := *e
	page.format = string(report.HTML)
	base := logName(seen[0].Path)
	if page.output == "" {
		page.output = base + ".html"
	}
	return page.print(base, display, func(w *bytes.Buffer, _ report.Format, opt report.Options) error {
		return report.InspectionPlots(w, seen, opt)
	})
}

// logName is the name of a log without folder, compression and kind: "a/pull.csv.gz" gives "pull".
func logName(path string) string {
	name := filepath.Base(path)
	for _, packed := range []string{".gz", ".zst", ".zip"} {
		name = strings.TrimSuffix(name, packed)
	}
	if short := strings.TrimSuffix(name, filepath.Ext(name)); short != "" {
		return short
	}
	return name
}

// writeChannelMap saves a channels.yaml with a rule for each logger into the workspace, or the current folder without
// one: also where no log could be read, to be completed. It never overwrites: beside another it takes a further name.
func (e *env) writeChannelMap(seen []ingest.Inspection, ws *workspace.Workspace) error {
	dir := "."
	if ws != nil {
		dir = ws.Dir
	}
	var buf bytes.Buffer
	var runs []*runlog.Run
	for _, s := range seen {
		switch {
		case s.Run != nil:
			runs = append(runs, s.Run)
		case s.Columns != nil:
			runs = append(runs, s.Columns)
		}
		if s.Error != "" {
			fmt.Fprintf(&buf, "# not readable yet: %s\n", strings.Join(strings.Fields(s.Error), " "))
		}
	}
	if err := runlog.WriteMap(&buf, runs...); err != nil {
		return err
	}
	path := filepath.Join(dir, "channels.yaml")
	for n := 2; ; n++ {
		if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
			break
		}
		path = filepath.Join(dir, fmt.Sprintf("channels-%d.yaml", n))
	}
	if err := plainfile.Write(path, buf.Bytes()); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	e.note("wrote %s", path)
	if filepath.Base(path) != "channels.yaml" {
		e.note("channels.yaml exists and is the one that is read: copy the rules over that it lacks")
	}
	return nil
}
