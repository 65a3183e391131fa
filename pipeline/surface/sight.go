package surface

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/surface/feature"
)

// Sight says from where a cloud was seen, if all of it was seen from one place
// or along one direction. The zero value says that nothing is known.
type Sight struct {
	Known    bool
	Parallel bool     // lines of sight are parallel
	Vec      geom.Vec // the scanner's place in the frame of the cloud, or the direction of sight
}

// Moved carries the sight to another frame.
func (s Sight) Moved(p geom.Pose) Sight {
	if s.Parallel {
		s.Vec = p.Turn(s.Vec)
	} else {
		s.Vec = p.Apply(s.Vec)
	}
	return s
}

// relative moves the sight to a frame whose zero point is at center.
func (s Sight) relative(center geom.Vec) Sight {
	if !s.Parallel {
		s.Vec = s.Vec.Sub(center)
	}
	return s
}

// depthMap is a picture of the nearest surface that a scanner saw in each direction.
type depthMap struct {
	sight   Sight
	pixel   float64 // radians, or mm for parallel sight
	u, v, w geom.Vec
	near    map[[2]int32]float64
	margin  float64
}

// newDepthMap draws the fine cloud as its scanner saw it. A pixel is as wide as two
// cells at the middle distance, so that a surface leaves no gaps.
func newDepthMap(s Sight, p feature.Points, cell, margin float64) *depthMap {
	m := &depthMap{sight: s, w: s.Vec.Unit(), near: make(map[[2]int32]float64), margin: margin}
	if !s.Parallel {
		m.w = center(p).Sub(s.Vec).Unit()
	}
	if m.w == (geom.Vec{}) {
		m.w = geom.Vec{Z: 1}
	}
	m.u = m.w.Perpendicular()
	m.v = m.w.Cross(m.u)
	m.pixel = 2 * cell
	if !s.Parallel {
		m.pixel /= math.Max(center(p).Dist(s.Vec), cell)
	}
	for _, q := range p.At {
		k, depth := m.project(q)
		if d, ok := m.near[k]; !ok || depth < d {
			m.near[k] = depth
		}
	}
	return m
}

func center(p feature.Points) geom.Vec {
	var sum geom.Vec
	for _, q := range p.At {
		sum = sum.Add(q)
	}
	return sum.Scale(1 / float64(max(len(p.At), 1)))
}

// project returns the pixel and the depth of a place.
func (m *depthMap) project(p geom.Vec) ([2]int32, float64) {
	if m.sight.Parallel {
		return [2]int32{int32(math.Floor(p.Dot(m.u) / m.pixel)), int32(math.Floor(p.Dot(m.v) / m.pixel))}, p.Dot(m.w)
	}
	d := p.Sub(m.sight.Vec)
	depth := d.Norm()
	azimuth, elevation := math.Atan2(d.Dot(m.v), d.Dot(m.w)), math.Asin(max(-1, min(1, d.Dot(m.u)/math.Max(depth, math.SmallestNonzeroFloat64))))
	return [2]int32{int32(math.Floor(azimuth / m.pixel)), int32(math.Floor(elevation / m.pixel))}, depth
}

// isBlocked says that the scanner looked through p: in its pixel and in all those around
// it, the nearest surface that it saw lies farther away, by more than the margin.
func (m *depthMap) isBlocked(p geom.Vec) bool {
	k, depth := m.project(p)
	for du := int32(-1); du <= 1; du++ {
		for dv := int32(-1); dv <= 1; dv++ {
			d, ok := m.near[[2]int32{k[0] + du, k[1] + dv}]
			if !ok || d < depth+m.margin {
				return false
			}
		}
	}
	return true
}

// blocked returns the larger share of the two clouds that stands in the free sight of
// the other's scanner under a placement.
func (l *locator) blocked(sourceToTarget geom.Pose) float64 {
	return math.Max(l.through(&l.target, &l.source, sourceToTarget), l.through(&l.source, &l.target, sourceToTarget.Inverse()))
}

func (l *locator) through(seen, other *side, otherToSeen geom.Pose) float64 {
	if seen.depth == nil {
		return 0
	}
	n, blocked := 0, 0
	for _, p := range other.coarse.At {
		n++
		if seen.depth.isBlocked(otherToSeen.Apply(p)) {
			blocked++
		}
	}
	return share(blocked, n)
}
