package reduce

import "trammel/pipeline/geom"

// factorAt returns by how much errors at p shall be smaller than elsewhere.
func factorAt(regions []Region, p geom.Vec) float64 {
	f := 1.0
	for _, r := range regions {
		if r.Factor > f && r.Box.Contains(p) {
			f = r.Factor
		}
	}
	return f
}

// demand says how exact the result has to be, before anything was measured.
type demand struct {
	regions []Region
	limit   float64 // mm, root mean square distance to the planes of a vertex where the factor is 1; 0 for none
}

// set fills how exact each vertex has to be. At one cost for all, an edge of length l
// has the error l² and the cost l⁴ times the area l²: an error smaller by f needs a cost
// larger by f³.
func (d *demand) set(s *surface, v int32) {
	f := factorAt(d.regions, s.at(v).Add(s.origin))
	if s.boost != nil {
		s.boost[v] = float32(f * f * f)
	}
	if s.limit != nil {
		s.limit[v] = float32(d.limit / f)
	}
}
