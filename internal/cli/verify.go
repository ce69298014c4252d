package cli

import (
	"bytes"

	"github.com/spf13/cobra"

	"headroom/internal/ingest"
	"headroom/internal/report"
)

func newVerify(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "verify",
		Short: "Check the evidence against its catalogue and sources",
		Long: "Checks that every part of the evidence is what the catalogue says and that every log is what was " +
			"read.\n\n" +
			"Exit status: 0 everything matches; 1 failed, or something does not match; 2 wrong usage.",
		Args: exactly(0, "no arguments"),
		RunE: func(*cobra.Command, []string) error {
			ws, err := e.openWorkspace()
			if err != nil {
				return err
			}
			faults, err := ingest.Verify(ws)
			if err != nil {
				return err
			}
			if len(faults) > 0 {
				e.status = exitFailed
			}
			return e.print("verify", ws.Config.Display, func(w *bytes.Buffer, f report.Format,
				opt report.Options) error {
				return report.Mismatches(w, faults, f, opt)
			})
		},
	}
}
