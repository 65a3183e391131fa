// Package par is the one way to work in parallel: [0, n) is cut into fixed
// blocks by index, each block writes its own slot, and slots are joined in index
// order. The number of workers therefore never changes a result.
package par

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"

	"golang.org/x/sync/errgroup"
)

// Blocks calls f once for every block of size items of [0, n), the last one
// shorter, on as many goroutines as GOMAXPROCS allows. block counts from 0. It
// returns the first error, and stops handing out blocks after it or when ctx is
// done. f must write only what belongs to its block. The block size must be a
// constant of the caller or derived from its input, never from the worker count.
func Blocks(ctx context.Context, n, size int, f func(block, lo, hi int) error) error {
	g, inner := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for block, lo := 0, 0; lo < n; block, lo = block+1, lo+size {
		if inner.Err() != nil {
			break
		}
		hi := min(lo+size, n)
		g.Go(func() error { return guarded(block, lo, hi, f) })
	}
	if err := g.Wait(); err != nil {
		return err
	}
	return ctx.Err()
}

// Panic is the error that a panic inside a block becomes: on a goroutine of its
// own, nobody above could recover it.
type Panic struct {
	Value any
	Stack []byte
}

// Error says what the panic was.
func (p *Panic) Error() string { return fmt.Sprintf("a fault of the program: %v", p.Value) }

func guarded(block, lo, hi int, f func(block, lo, hi int) error) (err error) {
	debug.SetPanicOnFault(true) // a mapped file that cannot be read is no reason to die
	defer func() {
		if v := recover(); v != nil {
			err = &Panic{Value: v, Stack: debug.Stack()}
		}
	}()
	return f(block, lo, hi)
}

// Count returns the number of blocks that Blocks cuts n items into.
func Count(n, size int) int { return (n + size - 1) / size }

// Each calls f for every index of [0, n), one index a block: for work whose
// items are large, such as whole scans.
func Each(ctx context.Context, n int, f func(i int) error) error {
	return Blocks(ctx, n, 1, func(i, _, _ int) error { return f(i) })
}
