package cli

import (
	"bytes"

	"github.com/spf13/cobra"

	"headroom/internal/report"
)

func newFleet(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "fleet",
		Short: "Periodic health review: drifting cars, outcomes, overdue logs",
		Long: "Lists cars whose logs drift against their own past, what the recorded failures (or their absence) prove, and cars\n" +
			"that have not logged for long.\n\n" + exitHelp,
		Args: exactly(0, "no arguments"),
		RunE: func(*cobra.Command, []string) error {
			ws, job, err := e.openJob()
			if err != nil {
				return err
			}
			r, err := job.Fleet()
			if err != nil {
				return err
			}
			return e.print("fleet", ws.Config.Display, func(w *bytes.Buffer, f report.Format, opt report.Options) error {
				return report.Fleet(w, r, f, opt)
			})
		},
	}
}
