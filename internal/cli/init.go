package cli

import (
	"fmt"

	"github.com/spf13/cobra"

	"headroom/internal/workspace"
)

func newInit(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "init DIR",
		Short: "Write an empty, commented workspace",
		Long: "Writes an empty workspace with comments that say what goes where. Refuses a folder that already is " +
			"one.\n\n" + exitHelp,
		Args: exactly(1, "the folder to write to"),
		RunE: func(_ *cobra.Command, args []string) error {
			if err := workspace.Init(args[0]); err != nil {
				return err
			}
			_, err := fmt.Fprintf(e.out, "%s is a workspace now. Start with its headroom.yaml, then write "+
				"platforms/<id>.yaml.\n", args[0])
			return err
		},
	}
}
