package report

import (
	"strings"
	"testing"

	"headroom/internal/report/show"
)

func TestCount(t *testing.T) {
	for _, c := range []struct{ got, want string }{{count(1, "car"), "1 car"}, {count(0, "pull"), "0 pulls"}} {
		if got := strings.ReplaceAll(c.got, show.NBSP, " "); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}
