package par

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"
)

func TestBlocksCoverEachIndexOnce(t *testing.T) {
	for _, workers := range []int{1, 2, 3, 8} {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(workers))
		for _, n := range []int{0, 1, 9, 10, 11, 1000} {
			hits := make([]int32, n)
			order := make([]int, Count(n, 10))
			err := Blocks(context.Background(), n, 10, func(block, lo, hi int) error {
				order[block] = lo
				for i := lo; i < hi; i++ {
					atomic.AddInt32(&hits[i], 1)
				}
				return nil
			})
			if err != nil || slices.ContainsFunc(hits, func(h int32) bool { return h != 1 }) || !slices.IsSorted(order) {
				t.Errorf("%d workers, %d items: %v, hits %v", workers, n, err, hits)
			}
		}
	}
}

func TestFirstErrorComesBack(t *testing.T) {
	boom := errors.New("boom")
	err := Each(context.Background(), 100, func(i int) error {
		if i == 3 {
			return boom
		}
		return nil
	})
	if !errors.Is(err, boom) {
		t.Errorf("got %v", err)
	}
}

func TestStopsWhenAsked(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	var done atomic.Int32
	err := Each(ctx, 1_000_000, func(int) error {
		if done.Add(1) == 5 {
			stop()
		}
		return nil
	})
	if !errors.Is(err, context.Canceled) || done.Load() > 1000 {
		t.Errorf("got %v after %d items", err, done.Load())
	}
}

func TestPanicBecomesAnError(t *testing.T) {
	err := Each(context.Background(), 3, func(i int) error {
		if i == 1 {
			panic("boom")
		}
		return nil
	})
	var p *Panic
	if !errors.As(err, &p) || p.Value != "boom" || len(p.Stack) == 0 {
		t.Errorf("got %v", err)
	}
}
