package picture

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"
)

// Histogram shows how signed deviations are spread. Values beyond ±Limit are
// gathered in an outer bar on each side, values that are not a number are left
// out and counted.
type Histogram struct {
	Title  string
	Values []float32 // in Unit
	Limit  float64   // half the width of the scale; 0 takes the largest magnitude
	Unit   string    // such as "mm"
}

const (
	histWidth  = 6 * 72.0
	histHeight = 3.2 * 72.0
	histBins   = 40
)

func (h *Histogram) size() (w, height vg.Length) { return histWidth, histHeight }

// counted holds the bars: one for less, histBins within the limit, one for more.
type counted struct {
	bars    [histBins + 2]int
	limit   float64
	total   int
	invalid int
}

func (h *Histogram) count() counted {
	c := counted{limit: h.Limit}
	if c.limit <= 0 {
		for _, v := range h.Values {
			if a := math.Abs(float64(v)); a > c.limit && !math.IsInf(a, 0) {
				c.limit = a
			}
		}
	}
	if c.limit <= 0 {
		c.limit = 1
	}
	for _, v := range h.Values {
		if math.IsNaN(float64(v)) {
			c.invalid++
			continue
		}
		c.total++
		c.bars[c.bin(float64(v))]++
	}
	return c
}

func (c *counted) bin(v float64) int {
	switch t := (v/c.limit + 1) / 2; {
	case t < 0:
		return 0
	case t > 1:
		return histBins + 1
	default:
		return 1 + min(histBins-1, int(t*histBins))
	}
}

func (h *Histogram) draw(p *pen) {
	c := h.count()
	const left, right, foot, top = 52.0, 18.0, 52.0, 34.0
	w, high := histWidth-left-right, histHeight-foot-top
	p.heading(point{left, histHeight - 20}, 12, h.Title)
	most := 1
	for _, n := range c.bars {
		most = max(most, n)
	}
	h.grid(p, c, left, foot, w, high, float64(most))
	step := w / (histBins + 2)
	for i, n := range c.bars {
		if n == 0 {
			continue
		}
		fill := vik(min(1, max(0, (float64(i)-0.5)/histBins)))
		switch i {
		case 0:
			fill = under
		case histBins + 1:
			fill = over
		}
		x, y := left+step*float64(i), high*float64(n)/float64(most)
		p.shape(fill, ink, 0.5, point{x, foot}, point{x + step, foot}, point{x + step, foot + y}, point{x, foot + y})
	}
	p.line(1, ink, point{left, foot}, point{left + w, foot})
	for i, line := range h.caption(c) {
		p.text(point{left + w/2, 19 - 12*float64(i)}, 0.5, 9, ink, line)
	}
}

// grid draws the scales: share of the values upwards, deviation to the right.
func (h *Histogram) grid(p *pen, c counted, left, foot, w, high, most float64) {
	total := float64(max(c.total, 1))
	stepShare := roundLength(most / total / 3)
	for k := 0; ; k++ {
		y := high * stepShare * float64(k) * total / most
		if y > high*1.001 {
			break
		}
		p.line(0.5, hairline, point{left, foot + y}, point{left + w, foot + y})
		p.text(point{left - 5, foot + y - 3}, 1, 9, ink, number(100*stepShare*float64(k))+" %")
	}
	bar := w / (histBins + 2)
	for _, share := range [...]float64{-1, -0.5, 0, 0.5, 1} {
		x := left + bar + (w-2*bar)*(share+1)/2
		p.line(0.8, ink, point{x, foot}, point{x, foot - 4})
		p.text(point{x, foot - 15}, 0.5, 9, ink, signed(share*c.limit))
	}
}

func (h *Histogram) caption(c counted) []string {
	lines := []string{fmt.Sprintf("deviation in %s, %d values", h.Unit, c.total)}
	if beyond := c.bars[0] + c.bars[histBins+1]; beyond > 0 {
		lines[0] += fmt.Sprintf(", %d beyond the scale in the outer bars", beyond)
	}
	if c.invalid > 0 {
		lines = append(lines, fmt.Sprintf("%d places without a value", c.invalid))
	}
	return lines
}
