package pipeline

import "math"

// A set-up that moved lies apart from all that it overlaps. Two scans can also disagree
// because each sees a translucent or shiny surface at another depth, which looks like a
// motion where they share little else. So a motion between two scans is believed only if
// other overlaps of the one or the other do not rule it out.

// judgeOverlaps weighs all overlaps, and reports each with what the others say of it.
func (b *Built) judgeOverlaps(list []placed) {
	for i := range b.Overlaps {
		b.weighOverlap(&b.Overlaps[i], list)
	}
	for i := range b.Overlaps {
		o := &b.Overlaps[i]
		o.Refuted = o.Suggested && b.hasNotMoved(o.B, o, 1) && b.hasNotMoved(o.A, o, -1)
	}
	for i := range b.Overlaps {
		o := &b.Overlaps[i]
		o.Suggested = o.Suggested && !o.Refuted
		b.reportOverlap(o)
	}
}

// hasNotMoved reports whether another overlap of a scan would show a motion of it by sign
// times that which o suggests, and does not.
func (b *Built) hasNotMoved(scan int, o *Overlap, sign float64) bool {
	for i := range b.Overlaps {
		p := &b.Overlaps[i]
		if p == o || p.Motion == nil || p.A != scan && p.B != scan {
			continue
		}
		towards := sign
		if p.A == scan {
			towards = -sign
		}
		if size, share := o.seenIn(p, towards); size > p.Allowed && share < mostRefuted {
			return true
		}
	}
	return false
}

// mostRefuted is the share of a motion below which an overlap does not show it: half of it
// is as far from none as from all.
const mostRefuted = 0.5

// seenIn returns how large the distances of overlap p would be if its second scan had to
// move as o suggests, towards times, rms in mm, and the share of that which they show.
func (o *Overlap) seenIn(p *Overlap, towards float64) (size, share float64) {
	var squares, product, weights float64
	for _, q := range p.Places {
		motion := o.Motion.Shift.Add(o.Motion.Turn.Cross(q.At.Sub(o.Motion.Center)))
		expected := -towards * q.Normal.Dot(motion)
		w := 1 / (q.Sigma*q.Sigma + stable*stable)
		squares, product, weights = squares+w*expected*expected, product+w*expected*q.Mean, weights+w
	}
	if !(squares > 0) {
		return 0, 0
	}
	return math.Sqrt(squares / weights), product / squares
}
