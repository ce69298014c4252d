package cli

import (
	"bytes"

	"github.com/spf13/cobra"

	"headroom/internal/report"
)

func newEnvelope(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "envelope",
		Short: "Fit per-platform envelopes and knock limits from the evidence",
		Long: "Fits, for each platform, what its cars have been shown to run (a tolerance limit per fuel class, cell " +
			"and metric)\n" +
			"and the knock-limited spark, and sets the platform file against the logs. The fits are kept in the\n" +
			"workspace and used by review, audit and fleet.\n\n" +
			exitHelp,
		Args: exactly(0, "no arguments"),
		RunE: func(*cobra.Command, []string) error {
			ws, job, err := e.openJob()
			if err != nil {
				return err
			}
			r, err := job.Envelopes()
			if err != nil {
				return err
			}
			return e.print("envelope", ws.Config.Display, func(w *bytes.Buffer, f report.Format,
				opt report.Options) error {
				return report.Envelopes(w, r, f, opt)
			})
		},
	}
}
