package cli

import (
	"bytes"

	"github.com/spf13/cobra"

	"headroom/internal/ingest"
	"headroom/internal/report"
)

func newIngest(e *env) *cobra.Command {
	prune := false
	c := &cobra.Command{
		Use:   "ingest [PATH…]",
		Short: "Read new and changed logs into the evidence",
		Long: "Reads new and changed logs (of the whole workspace, or of the paths given) into the evidence. A log " +
			"that cannot be\n" +
			"read is reported, counted and left out; the rest goes in. Logs that are gone are taken out of the " +
			"evidence, unless\n" +
			"they are more than a tenth of it.\n\n" +
			"Exit status: 0 done; 1 failed; 2 wrong usage; 3 some logs were left out, or are gone but kept; the rest " +
			"went in.",
		RunE: func(_ *cobra.Command, args []string) error {
			ws, err := e.readWorkspace()
			if err != nil {
				return err
			}
			step, end, err := e.bar("reading logs")
			if err != nil {
				return err
			}
			s, err := ingest.Ingest(ws, ingest.Options{Paths: args, Prune: prune, Jobs: e.jobs, Progress: func(done,
				total int, _ string) {
				step(done, total)
			}})
			end()
			if err != nil {
				return err
			}
			switch out := len(s.Failed) + len(s.ProblemsFromWorkspace) + s.Gone; {
			case out > 0 && s.Logs > 0:
				e.status = exitPartly
			case out > 0:
				e.status = exitFailed
			}
			return e.print("ingest", ws.Config.Display, func(w *bytes.Buffer, f report.Format,
				opt report.Options) error {
				return report.Ingest(w, &s, f, opt)
			})
		},
	}
	c.Flags().BoolVar(&prune, "prune", false, "take out every log that is gone, however many")
	return c
}
