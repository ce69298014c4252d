// Package parallel answers how a list of independent pieces of work is done on several processors without their number
// showing in the result.
package parallel

import (
	"sync/atomic"

	"golang.org/x/sync/errgroup"
)

// Each does work for 0 … n−1, jobs at a time (one where jobs is less), and calls done after each piece, from any
// goroutine. Pieces are begun in their order, so the longest come first to be done soonest. Work keeps its results and
// errors by index, so that they do not depend on the order in which it ends.
func Each(n, jobs int, done func(finished, total int), work func(i int)) {
	var g errgroup.Group
	g.SetLimit(max(1, jobs))
	var finished atomic.Int64
	for i := range n {
		g.Go(func() error {
			work(i)
			done(int(finished.Add(1)), n)
			return nil
		})
	}
	_ = g.Wait() // work returns no error
}
