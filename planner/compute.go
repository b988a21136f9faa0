package planner

import (
	"context"
	"runtime"
	"sync"
)

// computing runs what takes longer than a read: at most as many at once as the
// machine has processors. A caller whose time runs out gets its answer at
// once; what was begun ends by itself and keeps its place until then, so that
// impatient callers cannot pile up work.
type computing struct {
	places chan struct{}
	under  sync.WaitGroup
}

func newComputing() *computing { return &computing{places: make(chan struct{}, runtime.GOMAXPROCS(0))} }

// wait returns when everything under way has ended.
func (c *computing) wait() { c.under.Wait() }

// compute runs fn and returns its answer, or the context's error.
func compute[T any](ctx context.Context, c *computing, fn func() (T, error)) (T, error) {
	type answer struct {
		value T
		err   error
	}
	var none T
	if err := ctx.Err(); err != nil {
		return none, err
	}
	select {
	case c.places <- struct{}{}:
	case <-ctx.Done():
		return none, ctx.Err()
	}
	done := make(chan answer, 1)
	c.under.Go(func() {
		defer func() { <-c.places }()
		value, err := fn()
		done <- answer{value, err}
	})
	select {
	case a := <-done:
		return a.value, a.err
	case <-ctx.Done():
		return none, ctx.Err()
	}
}
