package picture

import (
	"bytes"
	"math"
	"testing"
)

func closeUpOfADisc(height float64) *CloseUp {
	c := &CloseUp{Title: "A sticker", Half: 10, Step: 1, Between: 1, Limit: 0.3, Unit: "mm"}
	for i := -10; i <= 10; i++ {
		for k := -10; k <= 10; k++ {
			x, y := float64(i), float64(k)
			h := 0.02 * math.Sin(3*x+5*y)
			c.After = append(c.After, Spot{y, x, h / 4})
			if math.Hypot(x, y) < 4 {
				h += height
			}
			c.Before = append(c.Before, Spot{x, y, h})
		}
	}
	return c
}

func TestCloseUpShowsTheHeight(t *testing.T) {
	seen := map[string]bool{}
	for _, height := range []float64{0, 0.1, 0.2} {
		var first, second bytes.Buffer
		for _, out := range []*bytes.Buffer{&first, &second} {
			if err := PNG(out, closeUpOfADisc(height), 100); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) || seen[first.String()] {
			t.Errorf("height %v: differs from itself or from none", height)
		}
		seen[first.String()] = true
	}
	wild := closeUpOfADisc(0.2)
	wild.Before[3].X, wild.Before[4].Value, wild.After[9].Value = math.NaN(), math.Inf(1), math.NaN()
	for name, c := range map[string]*CloseUp{"empty": {}, "wild": wild, "endless": {Half: math.Inf(1), Limit: 1}} {
		if err := PNG(&bytes.Buffer{}, c, 72); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}
