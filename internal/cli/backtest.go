package cli

import (
	"bytes"

	"github.com/spf13/cobra"

	"headroom/internal/backtest"
	"headroom/internal/report"
)

func newBacktest(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "backtest",
		Short: "The estimator's own record: past revisions predicted from what was known before",
		Long: "Predicts every revision that has logs of its own from the logs dated before its first one, compares " +
			"with what its own\n" +
			"pulls did, and scores the predictions by hazard: Brier score, skill, log score, reliability, and how " +
			"often bands held.\n" +
			"Nothing is kept or changed.\n\n" + exitHelp,
		Args: exactly(0, "no arguments"),
		RunE: func(*cobra.Command, []string) error {
			ws, job, err := e.openJob()
			if err != nil {
				return err
			}
			step, end, err := e.bar("predicting the past")
			if err != nil {
				return err
			}
			b, err := backtest.Run(job, e.jobs, step)
			end()
			if err != nil {
				return err
			}
			return e.print("backtest", ws.Config.Display, func(w *bytes.Buffer, f report.Format,
				opt report.Options) error {
				return report.Backtest(w, b, f, opt)
			})
		},
	}
}
