package reduce

// join puts what is left of the pieces together. The order of the triangles and of the
// vertices is that in which they were in the mesh along the curve. The pieces let go of
// their lists one by one, so that little is held twice.
func (g *pieces) join() *surface {
	s := &surface{origin: g.mesh.Origin, slender: g.slender, halved: g.d.halved}
	start := make([]int32, len(g.left)) // the number of the first vertex of each piece
	for i := 1; i < len(start); i++ {
		start[i] = start[i-1] + int32(len(g.left[i-1].x))
	}
	onSeam := g.seams.owner // from here on in numbers of the surface
	for k, i := range g.seams.first {
		onSeam[k] += start[i] - g.base[i]
	}
	for i := range g.left {
		for c, v := range g.left[i].corners {
			if v < 0 {
				g.left[i].corners[c] = onSeam[-v-1]
			} else {
				g.left[i].corners[c] = start[i] + v
			}
		}
	}
	s.owner = g.owner
	for v, k := range g.vertex {
		switch {
		case k == 0:
			s.owner[v] = -1
		case k < 0:
			s.owner[v] = onSeam[-k-1]
		case s.owner[v] >= 0:
			s.owner[v] += start[k-1] - g.base[k-1]
		}
	}
	g.vertex, g.order, g.seams = nil, nil, seams{}
	g.joinLists(s)
	return s
}

func (g *pieces) joinLists(s *surface) {
	tidy(len(s.owner))
	s.tri = joined(g.left, func(l *left) *[]int32 { return &l.corners })
	s.q = joined(g.left, func(l *left) *[]quadric { return &l.q })
	s.x = joined(g.left, func(l *left) *[]float32 { return &l.x })
	s.y = joined(g.left, func(l *left) *[]float32 { return &l.y })
	s.z = joined(g.left, func(l *left) *[]float32 { return &l.z })
	s.area = joined(g.left, func(l *left) *[]float32 { return &l.area })
	s.flags = joined(g.left, func(l *left) *[]uint8 { return &l.flags })
	if g.d.boosts {
		s.boost = joined(g.left, func(l *left) *[]float32 { return &l.boost })
	}
	if g.d.limit > 0 {
		s.limit = joined(g.left, func(l *left) *[]float32 { return &l.limit })
	}
	tidy(len(s.owner))
	n := len(s.x)
	s.version, s.head, s.into, s.next = make([]uint32, n), make([]int32, n), make([]int32, n), make([]int32, len(s.tri))
	for v := range s.into {
		s.into[v] = -1
	}
	s.compact()
}

// joined takes one list of each piece.
func joined[T any](pieces []left, list func(*left) *[]T) []T {
	n := 0
	for i := range pieces {
		n += len(*list(&pieces[i]))
	}
	out := make([]T, 0, n)
	for i := range pieces {
		l := list(&pieces[i])
		out = append(out, *l...)
		*l = nil
	}
	return out
}
