package cli

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"headroom/internal/assess"
	"headroom/internal/report"
)

func newAudit(e *env) *cobra.Command {
	by := ""
	c := &cobra.Command{
		Use:   "audit",
		Short: "Rank every revision in the workspace by risk",
		Long: "Scores every revision and ranks them, riskiest first; says which were released without logs of their " +
			"own.\n\n" + exitHelp,
		Args: exactly(0, "no arguments"),
		RunE: func(*cobra.Command, []string) error {
			if by != "" && !slices.Contains(assess.AuditBy, by) {
				return usageError{fmt.Errorf("--by is %q: give %s", by, strings.Join(assess.AuditBy, ", "))}
			}
			ws, job, err := e.openJob()
			if err != nil {
				return err
			}
			step, end, err := e.bar("scoring revisions")
			if err != nil {
				return err
			}
			a, err := job.Audit(by, e.jobs, step)
			end()
			if err != nil {
				return err
			}
			if len(a.Failed) > 0 {
				e.status = exitFailed
			}
			return e.print("audit", ws.Config.Display, func(w *bytes.Buffer, f report.Format,
				opt report.Options) error {
				return report.Audit(w, a, f, opt)
			})
		},
	}
	c.Flags().StringVar(&by, "by", "", "also count verdicts by author, platform or fuel")
	return c
}
