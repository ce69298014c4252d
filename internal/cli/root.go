// Package cli is the command line: one file a command, flags in, one call into the rooms that do the work, a printed
// result out. It decides nothing and computes nothing.
package cli

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"headroom/internal/report/text"
)

// Exit statuses.
const (
	exitDone       = 0
	exitFailed     = 1
	exitUsage      = 2
	exitPartly     = 3 // ingest: some logs were left out, the rest went in
	exitConditions = 10
	exitHold       = 20
	exitUndecided  = 30
)

const exitHelp = "Exit status: 0 done; 1 failed; 2 wrong usage."

// env is what every command shares.
type env struct {
	out, err  io.Writer
	workspace string
	format    string
	output    string
	quiet     bool
	progress  string
	jobs      int
	status    int // what Main returns when no error occurred
}

// usageError marks an error of the command line itself.
type usageError struct{ error }

// Main runs the command line and returns the exit status. Results go to stdout, progress and warnings to stderr.
func Main(args []string, stdout, stderr io.Writer) int {
	e := &env{out: stdout, err: stderr}
	root := newRoot(e)
	root.SetArgs(args)
	err := root.Execute()
	if err == nil {
		return e.status
	}
	fmt.Fprintln(stderr, "headroom:", text.Harmless(err.Error()))
	var usage usageError
	if errors.As(err, &usage) || isUsage(err) {
		return exitUsage
	}
	return exitFailed
}

// isUsage recognises cobra's own complaint about an unknown command, which it does not type.
func isUsage(err error) bool { return strings.HasPrefix(err.Error(), "unknown command") }

func newRoot(e *env) *cobra.Command {
	root := &cobra.Command{
		Use:   "headroom",
		Short: "Score calibration revisions against what a fleet's run logs show",
		Long: "headroom reads run logs of a fleet of tuned engines into evidence, fits what each platform has been " +
			"shown to run,\n" +
			"and scores a proposed calibration revision by its margins: which limit it gets closest to, where, how " +
			"sure that is.\n\n" +
			exitHelp + "\nFor review: 10 conditions, 20 hold, 30 undecided (--exit-zero turns these off).",
		Version:       version(),
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.SetOut(e.out)
	root.SetErr(e.err)
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return usageError{fmt.Errorf("%w; see headroom %s --help", err, c.Name())}
	})
	f := root.PersistentFlags()
	f.StringVarP(&e.workspace, "workspace", "C", "", "workspace folder (default: the nearest parent with "+
		"headroom.yaml)")
	f.StringVar(&e.format, "format", "table", "table, json, md, html, csv or parquet")
	f.StringVarP(&e.output, "output", "o", "", "write the result to this file, or into this folder, instead of "+
		"standard output")
	f.BoolVar(&e.quiet, "quiet", false, "no progress and no notes on standard error")
	f.StringVar(&e.progress, "progress", "auto", "auto, always or never: show progress on standard error")
	f.IntVar(&e.jobs, "jobs", runtime.GOMAXPROCS(0), "how many things to work on at once; the result does not depend "+
		"on it")
	root.AddCommand(newDemo(e), newInit(e), newInspect(e), newIngest(e), newEnvelope(e), newReview(e), newAudit(e),
		newFleet(e), newBacktest(e), newVerify(e))
	return root
}

// exactly checks the number of arguments as a usage error.
func exactly(n int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != n {
			return usageError{fmt.Errorf("%s takes %s; see headroom %s --help", c.Name(), what, c.Name())}
		}
		return nil
	}
}

func atLeastOne(what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return usageError{fmt.Errorf("%s takes %s; see headroom %s --help", c.Name(), what, c.Name())}
		}
		return nil
	}
}

// version is the module's version as built, "devel" from a checkout.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" || info.Main.Version == "(devel)" {
		return "devel"
	}
	return info.Main.Version
}

// note writes one line to standard error unless --quiet.
func (e *env) note(format string, args ...any) {
	if !e.quiet {
		fmt.Fprintln(e.err, text.Harmless(fmt.Sprintf(format, args...)))
	}
}

// width is the number of columns of standard output: COLUMNS, else the terminal's, else 80.
func (e *env) width() int {
	if n, err := strconv.Atoi(os.Getenv("COLUMNS")); err == nil && n > 0 {
		return n
	}
	if f, ok := e.out.(*os.File); ok {
		if n, _, err := term.GetSize(int(f.Fd())); err == nil && n > 0 {
			return n
		}
	}
	return 80
}

// isTerminal reports whether w is a terminal.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// colour follows the NO_COLOR convention.
func (e *env) colour() bool { return os.Getenv("NO_COLOR") == "" && isTerminal(e.out) }
