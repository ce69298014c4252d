package cli

import (
	"bytes"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"headroom/internal/assess"
	"headroom/internal/report"
	"headroom/internal/workspace"
)

var verdictStatus = map[assess.Verdict]int{
	assess.VerdictRelease:    exitDone,
	assess.VerdictConditions: exitConditions,
	assess.VerdictHold:       exitHold,
	assess.VerdictUndecided:  exitUndecided,
}

func newReview(e *env) *cobra.Command {
	exitZero, across, against := false, "", ""
	c := &cobra.Command{
		Use:   "review REVISION",
		Short: "Score one proposed revision",
		Long: "Scores one revision: which limit it gets closest to, where, how sure that is, and compared with what " +
			"the platform\n" +
			"has been shown to run. Uses the evidence as last ingested.\n\n" +
			"With --across fleet the revision is scored for every car of its platform instead: how many would cross " +
			"a limit too\n" +
			"often. With --against it is set beside another revision of the platform, which stands to its right. " +
			"Both exit 0\n" +
			"unless something failed.\n\n" +
			"Rule of the verdict. " + assess.VerdictRule + "\n\n" +
			"Exit status: 0 release; 10 conditions; 20 hold; 30 undecided; 1 failed; 2 wrong usage.",
		Args: exactly(1, "one revision id"),
		RunE: func(c *cobra.Command, args []string) error {
			isAcross, isAgainst := c.Flags().Changed("across"), c.Flags().Changed("against")
			if isAcross && isAgainst {
				return usageError{errors.New("--across and --against ask two questions: give one of them")}
			}
			if isAcross && across != "fleet" {
				return usageError{fmt.Errorf("--across is %q: the only value is fleet", across)}
			}
			ws, job, err := e.openJob()
			if err != nil {
				return err
			}
			switch {
			case isAcross:
				return e.reviewAcross(ws, job, args[0])
			case isAgainst:
				return e.reviewAgainst(ws, job, args[0], against)
			}
			r, err := job.Review(args[0])
			if err != nil {
				return err
			}
			if !exitZero {
				e.status = verdictStatus[r.Verdict]
			}
			return e.print("review-"+r.Revision, ws.Config.Display, func(w *bytes.Buffer, f report.Format,
				opt report.Options) error {
				return report.Review(w, r, f, opt)
			})
		},
	}
	c.Flags().BoolVar(&exitZero, "exit-zero", false, "exit 0 whatever the verdict")
	c.Flags().StringVar(&across, "across", "", "fleet: score it for every car of its platform")
	c.Flags().StringVar(&against, "against", "", "another revision of the platform to set it beside")
	return c
}

// reviewAcross scores a revision for every car of its platform.
func (e *env) reviewAcross(ws *workspace.Workspace, job *assess.Job, id string) error {
	step, end, err := e.bar("scoring cars")
	if err != nil {
		return err
	}
	a, err := job.Across(id, e.jobs, step)
	end()
	if err != nil {
		return err
	}
	if len(a.Failed) > 0 {
		e.status = exitFailed
	}
	return e.print("review-"+a.Revision+"-across-fleet", ws.Config.Display, func(w *bytes.Buffer, f report.Format,
		opt report.Options) error {
		return report.Across(w, a, f, opt)
	})
}

// reviewAgainst sets a revision beside another.
func (e *env) reviewAgainst(ws *workspace.Workspace, job *assess.Job, left, right string) error {
	a, err := job.Against(left, right)
	if err != nil {
		return err
	}
	return e.print("review-"+a.Left.Revision+"-against-"+a.Right.Revision, ws.Config.Display,
		func(w *bytes.Buffer, f report.Format, opt report.Options) error {
			return report.Against(w, a, f, opt)
		})
}
