package picture

// labeller puts names next to their symbols so that none covers another.
type labeller struct {
	pen   *pen
	taken []area
}

type area struct{ x0, y0, x1, y1 float64 }

// overlap returns the common area of two rectangles.
func (a area) overlap(b area) float64 {
	w, h := min(a.x1, b.x1)-max(a.x0, b.x0), min(a.y1, b.y1)-max(a.y0, b.y0)
	if w <= 0 || h <= 0 {
		return 0
	}
	return w * h
}

// avoid keeps names off a symbol.
func (l *labeller) avoid(at point, radius float64) {
	l.taken = append(l.taken, area{at.x - radius, at.y - radius, at.x + radius, at.y + radius})
}

// put tries places around the symbol, near ones first, and takes the first that
// is free, or the one that covers least.
func (l *labeller) put(at point, reach float64, name string) {
	w := l.pen.width(labelSize, name)
	best, cost := area{}, -1.0
	for _, further := range [...]float64{1, 8, 17, 28} {
		away := reach + further
		for _, d := range [...]point{{1, 0}, {-1, 0}, {0, 1}, {0, -1}, {0.8, 0.8}, {-0.8, 0.8}, {0.8, -0.8}, {-0.8, -0.8}} {
			a := besides(at, d, away, w)
			if c := l.cost(a); cost < 0 || c < cost {
				best, cost = a, c
			}
			if cost == 0 {
				l.write(best, at, further, name)
				return
			}
		}
	}
	l.write(best, at, 0, name)
}

// besides returns the rectangle of a name of width w, away from at towards d.
func besides(at, d point, away, w float64) area {
	const up, down = 7.5, 2.5 // of the letters about their base line
	h := up + down
	x := at.x + d.x*away + (d.x-1)/2*w
	y := at.y + d.y*(away+h/2-3)
	return area{x, y - h/2, x + w, y + h/2}
}

// cost is the area that a name would cover, counting what leaves the sheet.
func (l *labeller) cost(a area) float64 {
	sheet := area{2, planFoot - 16, planWidth - 2, planHeight - planTop + 8}
	c := (a.x1-a.x0)*(a.y1-a.y0) - a.overlap(sheet)
	for _, t := range l.taken {
		c += a.overlap(t)
	}
	if c < 1e-6 {
		return 0
	}
	return c
}

func (l *labeller) write(a area, at point, further float64, name string) {
	l.taken = append(l.taken, a)
	if further > 10 {
		l.pen.line(0.5, faint, at, point{(a.x0 + a.x1) / 2, (a.y0 + a.y1) / 2})
	}
	l.pen.rectangle(a.x0-1, a.y0, a.x1-a.x0+2, a.y1-a.y0, white)
	l.pen.text(point{a.x0, a.y0 + 2.8}, 0, labelSize, ink, name)
}
