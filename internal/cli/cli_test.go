package cli

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"headroom/internal/fleettest"
)

// withFleets runs the tests with invented fleets.
type withFleets struct{ m *testing.M }

func (w withFleets) Run() int { return fleettest.Main(w.m, nil) }

func TestMain(m *testing.M) {
	testscript.Main(withFleets{m}, map[string]func(){
		"headroom": func() { os.Exit(Main(os.Args[1:], os.Stdout, os.Stderr)) },
	})
}

// fleetOf copies a fleet and its evidence, so that the script may spoil it: fleet of six ws, fleet of three ws.
func fleetOf(six, three string) func(ts *testscript.TestScript, neg bool, args []string) {
	return func(ts *testscript.TestScript, neg bool, args []string) {
		if neg || len(args) != 3 || args[0] != "of" {
			ts.Fatalf("usage: fleet of six|three folder")
		}
		dir, ok := map[string]string{"six": six, "three": three}[args[1]]
		if !ok {
			ts.Fatalf("no fleet of %s", args[1])
		}
		ts.Check(os.CopyFS(ts.MkAbs(args[2]), os.DirFS(dir)))
	}
}

// status runs a command that must exit with the given status: status 20 headroom review …
func status(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: status N command …")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	var exit *exec.ExitError
	if err := ts.Exec(args[1], args[2:]...); errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
}

// appendKey adds a key no platform file knows.
func appendKey(ts *testscript.TestScript, _ bool, args []string) {
	path := ts.MkAbs(args[0])
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	ts.Check(err)
	_, err = f.WriteString("colour: red\n")
	ts.Check(err)
	ts.Check(f.Close())
}

// The scripts run the commands as a user does and check output, errors and exit status.
func TestScripts(t *testing.T) {
	openLogs, err := filepath.Abs("../../../shared/data/obd")
	if err != nil {
		t.Fatal(err)
	}
	six, three := fleettest.Small(t), fleettest.Kestrels(t)
	testscript.Run(t, testscript.Params{
		Setup: func(env *testscript.Env) error {
			env.Setenv("OPENLOGS", openLogs)
			env.Setenv("GOGC", "400") // as in fleettest.Main
			return nil
		},
		Condition: func(name string) (bool, error) {
			if name != "openlogs" {
				return false, fmt.Errorf("unknown condition %q", name)
			}
			_, err := os.Stat(openLogs)
			return err == nil, nil
		},
		Dir: "testdata/script", RequireExplicitExec: true,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"status": status, "appendkey": appendKey,
			"fleet": fleetOf(six, three)},
	})
}
