package cli

import (
	"bytes"

	"github.com/spf13/cobra"

	"headroom/internal/assess"
	"headroom/internal/report"
)

var verdictStatus = map[string]int{
	assess.VerdictRelease:    exitDone,
	assess.VerdictConditions: exitConditions,
	assess.VerdictHold:       exitHold,
	assess.VerdictUndecided:  exitUndecided,
}

func newReview(e *env) *cobra.Command {
	exitZero := false
	c := &cobra.Command{
		Use:   "review REVISION",
		Short: "Score one proposed revision",
		Long: "Scores one revision: which limit it gets closest to, where, how sure that is, and compared with what the platform\n" +
			"has been shown to run. Uses the evidence as last ingested.\n\n" +
			"Rule of the verdict. " + assess.VerdictRule + "\n\n" +
			"Exit status: 0 release; 10 conditions; 20 hold; 30 undecided; 1 failed; 2 wrong usage.",
		Args: exactly(1, "one revision id"),
		RunE: func(_ *cobra.Command, args []string) error {
			ws, job, err := e.openJob()
			if err != nil {
				return err
			}
			r, err := job.Review(args[0])
			if err != nil {
				return err
			}
			if !exitZero {
				e.status = verdictStatus[r.Verdict]
			}
			return e.print("review-"+r.Revision, ws.Config.Display, func(w *bytes.Buffer, f report.Format, opt report.Options) error {
				return report.Review(w, r, f, opt)
			})
		},
	}
	c.Flags().BoolVar(&exitZero, "exit-zero", false, "exit 0 whatever the verdict")
	return c
}
