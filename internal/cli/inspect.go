package cli

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/google/renameio/v2"
	"github.com/spf13/cobra"

	"headroom/internal/ingest"
	"headroom/internal/report"
	"headroom/internal/runlog"
	"headroom/internal/workspace"
)

func newInspect(e *env) *cobra.Command {
	write := false
	c := &cobra.Command{
		Use:   "inspect FILE…",
		Short: "Show how a log is read, and why",
		Long: "Shows how logs are read: layout, time base, the channel and unit of each column with the reason (or why it is not\n" +
			"used), doubts about the data, pulls and steady stretches found, lags. Works with and without a workspace.\n\n" +
			"Exit status: 0 done; 1 failed, or a log could not be read; 2 wrong usage.",
		Args: atLeastOne("one or more log files"),
		RunE: func(_ *cobra.Command, args []string) error {
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
			return e.print("inspect", display, func(w *bytes.Buffer, f report.Format, opt report.Options) error {
				return report.Inspections(w, seen, f, opt)
			})
		},
	}
	c.Flags().BoolVar(&write, "write", false, "save a channels.yaml to edit, made from how the first file was read")
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

// writeChannelMap saves channels.yaml into the workspace, or the current folder without one. It never overwrites.
func (e *env) writeChannelMap(seen []ingest.Inspection, ws *workspace.Workspace) error {
	path := "channels.yaml"
	if ws != nil {
		path = ws.Dir + "/" + path
	}
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s exists: move it away first, or edit it", path)
	}
	for _, s := range seen {
		if s.Run == nil {
			continue
		}
		var buf bytes.Buffer
		if err := runlog.WriteMap(&buf, s.Run); err != nil {
			return err
		}
		if err := renameio.WriteFile(path, buf.Bytes(), 0o644); err != nil {
			return fmt.Errorf("write %s: %w", path, err)
		}
		e.note("wrote %s", path)
		return nil
	}
	return errors.New("no file could be read, so there is no channel map to write")
}
