package worlds

import (
	"fmt"
	"os"
	"testing"
)

func TestMk(t *testing.T) {
	if os.Getenv("MK") == "" {
		t.Skip()
	}
	for s := uint64(1); s <= 6; s++ {
		dir := fmt.Sprintf("/tmp/help/worlds/ws%d", s)
		os.RemoveAll(dir)
		if _, err := Build(dir, Options{Seed: s, Cars: 12}); err != nil {
			t.Fatal(err)
		}
	}
}
