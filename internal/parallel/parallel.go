// Package parallel answers how a list of independent pieces of work is done on several processors without their number
// showing in the result.
package parallel

import (
	"sync"

	"golang.org/x/sync/errgroup"
)

// Each does work for 0 … n−1, jobs at a time (one where jobs is less), and calls done after each piece, one call at
// a time. Pieces are begun in their order, so the longest come first to be done soonest. Work keeps its results and
// errors by index, so that they do not depend on the order in which it ends.
func Each(n, jobs int, done func(finished, total int), work func(i int)) {
	_ = Until(n, jobs, func(i int) error { work(i); return nil }, // neither of the two returns an error
		func(finished, _ int) error { done(finished, n); return nil })
}

// Until is Each for work that may fail: the first error of a piece or of after stops it, and is returned once the
// pieces under way have ended. after is called for each piece that did not fail, one call at a time; i is the piece and
// finished how many have ended.
func Until(n, jobs int, work func(i int) error, after func(finished, i int) error) error {
	var g errgroup.Group
	g.SetLimit(max(1, jobs))
	var mu sync.Mutex
	var failed error
	finished := 0
	stopped := func() bool {
		mu.Lock()
		defer mu.Unlock()
		return failed != nil
	}
	for i := 0; i < n && !stopped(); i++ {
		g.Go(func() error {
			err := work(i)
			mu.Lock()
			defer mu.Unlock()
			if finished++; err == nil && failed == nil {
				err = after(finished, i)
			}
			if failed == nil {
				failed = err
			}
			return nil
		})
	}
	_ = g.Wait() // the pieces keep their errors in failed
	return failed
}
