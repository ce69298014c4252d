package parallel

import (
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
)

// Each piece is done once, never more at a time than asked for, and each is reported once.
func TestEach(t *testing.T) {
	for _, jobs := range []int{-1, 1, 3, 100} {
		const n = 40
		var times [n]atomic.Int32
		var running, most atomic.Int32
		var mu sync.Mutex
		var reported []int
		Each(n, jobs, func(finished, total int) {
			mu.Lock()
			defer mu.Unlock()
			reported = append(reported, finished)
			if total != n {
				t.Errorf("total %d, want %d", total, n)
			}
		}, func(i int) {
			now := running.Add(1)
			for old := most.Load(); now > old && !most.CompareAndSwap(old, now); old = most.Load() {
			}
			times[i].Add(1)
			running.Add(-1)
		})
		for i := range times {
			if times[i].Load() != 1 {
				t.Errorf("%d jobs: piece %d was done %d times", jobs, i, times[i].Load())
			}
		}
		if int(most.Load()) > max(1, jobs) {
			t.Errorf("%d jobs: %d at a time", jobs, most.Load())
		}
		slices.Sort(reported)
		if len(reported) != n || reported[0] != 1 || reported[n-1] != n {
			t.Errorf("%d jobs: reported %v", jobs, reported)
		}
	}
}

// The first error stops what has not begun; pieces that did not fail before it are passed on once each.
func TestUntil(t *testing.T) {
	broken := errors.New("broken")
	for _, jobs := range []int{0, 1, 3} {
		for _, failing := range []string{"work", "after"} {
			const n, bad = 200, 20
			var begun atomic.Int32
			var passed []int
			err := Until(n, jobs, func(i int) error {
				begun.Add(1)
				if failing == "work" && i == bad {
					return broken
				}
				return nil
			}, func(_, i int) error {
				if failing == "after" && i == bad {
					return broken
				}
				passed = append(passed, i)
				return nil
			})
			if !errors.Is(err, broken) {
				t.Errorf("%d jobs, %s: %v", jobs, failing, err)
			}
			if int(begun.Load()) > bad+2+max(1, jobs) || slices.Contains(passed, bad) {
				t.Errorf("%d jobs, %s: %d pieces begun, passed on %v", jobs, failing, begun.Load(), passed)
			}
		}
	}
	if err := Until(3, 2, func(int) error { return nil }, func(int, int) error { return nil }); err != nil {
		t.Error(err)
	}
}
