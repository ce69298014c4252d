package assess

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"headroom/internal/demo"
)

func TestSimSeeds(t *testing.T) {
	if os.Getenv("HRSIM") == "" {
		t.Skip()
	}
	for s := 1; s <= 14; s++ {
		dir := filepath.Join("/tmp/hr-fl-seeds", fmt.Sprint(s))
		if _, err := os.Stat(filepath.Join(dir, ".headroom")); err == nil {
			continue
		}
		if _, err := demo.Build(dir, demo.Options{Seed: uint64(s), Cars: 24, TruthPulls: 1}); err != nil {
			t.Fatal(err)
		}
		if err := bring(dir); err != nil {
			t.Fatal(err)
		}
	}
}
