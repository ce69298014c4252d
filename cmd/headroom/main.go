// Command headroom scores calibration revisions of turbocharged engines against what a fleet's run logs show the
// platform survives. See README.md.
package main

import (
	"os"

	"headroom/internal/cli"
)

func main() {
	os.Exit(cli.Main(os.Args[1:], os.Stdout, os.Stderr))
}
