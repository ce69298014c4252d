package cli

import (
	"bytes"

	"github.com/spf13/cobra"

	"headroom/internal/health"
	"headroom/internal/report"
)

func newFleet(e *env) *cobra.Command {
	remember := false
	c := &cobra.Command{
		Use:   "fleet",
		Short: "Periodic health review: drifting cars, platform trends, outcomes, overdue logs",
		Long: "Lists cars whose logs drift against their own past and the fleet, what whole platforms do over time, " +
			"which envelopes\n" +
			"moved since the last review that was remembered, what the recorded failures (or their absence) prove, " +
			"and cars that\n" +
			"have not logged for long.\n\n" +
			"With --remember today's envelopes are kept in reports/fleet-memory.json after the comparison, for the " +
			"next review.\n\n" + exitHelp,
		Args: exactly(0, "no arguments"),
		RunE: func(*cobra.Command, []string) error {
			ws, job, err := e.openJob()
			if err != nil {
				return err
			}
			r, err := health.Review(job)
			if err != nil {
				return err
			}
			if err := e.print("fleet", ws.Config.Display, func(w *bytes.Buffer, f report.Format,
				opt report.Options) error {
				return report.Fleet(w, r, f, opt)
			}); err != nil || !remember {
				return err
			}
			path, err := health.Remember(job)
			if err != nil {
				return err
			}
			e.note("remembered today's envelopes in %s", path)
			return nil
		},
	}
	c.Flags().BoolVar(&remember, "remember", false, "keep today's envelopes in reports/fleet-memory.json for the "+
		"next review to compare with")
	return c
}
