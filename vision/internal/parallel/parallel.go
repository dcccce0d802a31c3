// Package parallel shares out independent items over the cores.
package parallel

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"
)

// Each calls f once for every i in 0 … n-1, on as many goroutines as there are
// cores. worker counts them from 0, so that each can keep scratch memory of
// its own. When ctx ends, items not begun are left out and its error is
// returned.
func Each(ctx context.Context, n int, f func(worker, i int)) error {
	var next atomic.Int64
	var wg sync.WaitGroup
	for w := range min(n, Workers()) {
		wg.Go(func() {
			for ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				f(w, i)
			}
		})
	}
	wg.Wait()
	return ctx.Err()
}

// Workers is the number of goroutines that Each uses at the most.
func Workers() int { return runtime.GOMAXPROCS(0) }
