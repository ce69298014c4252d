package assess

import (
	"sync/atomic"

	"golang.org/x/sync/errgroup"
)

// inParallel does work for 0 … n−1, jobs at a time, and reports each one finished. Work keeps its results and errors by
// index, so that they do not depend on the order in which it ends.
func inParallel(n, jobs int, done func(finished, total int), work func(i int)) {
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
