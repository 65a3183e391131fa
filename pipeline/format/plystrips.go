package format

import "slices"

// stripRun is where the reader stands in a list of triangle strips. One list can
// be a whole scan, so it is read in portions.
type stripRun struct {
	left   int64    // numbers of the list still to come
	length int      // corners of the current strip
	last   [2]int64 // the two newest of them
}

func (p *plyReader) hasStrips() bool {
	return p.strip >= 0 && slices.ContainsFunc(p.head.elements, func(e plyElement) bool { return e.name == "tristrips" && e.rows > 0 })
}

// strips reads the next portion of a row of strips.
func (p *plyReader) strips(b *Batch, e *plyElement) error {
	if p.run.left == 0 {
		if err := p.beginStrips(e); err != nil {
			return err
		}
	}
	kind := e.properties[p.strip].kind
	for ; p.run.left > 0 && len(b.Tri) < mostCorners; p.run.left-- {
		v, ok := p.rows.number(kind)
		if !ok {
			return p.cut(e, nil)
		}
		p.run.add(b, cornerOf(v))
	}
	if p.run.left > 0 {
		return nil
	}
	for i := p.strip + 1; i < len(e.properties); i++ {
		if err := p.pass(e, i); err != nil {
			return err
		}
	}
	p.row++
	return nil
}

// beginStrips reads a row up to the numbers of its list.
func (p *plyReader) beginStrips(e *plyElement) error {
	if err := p.rows.begin(e); err != nil {
		return p.cut(e, err)
	}
	for i := range p.strip {
		if err := p.pass(e, i); err != nil {
			return err
		}
	}
	n, err := p.length(e, &e.properties[p.strip])
	p.run = stripRun{left: n}
	return err
}

// add takes the next corner, which makes a triangle with the two before it, every
// second turned round; a negative one begins a new strip.
func (r *stripRun) add(b *Batch, corner int64) {
	if corner < 0 {
		r.length = 0
		return
	}
	switch {
	case r.length < 2:
	case r.length%2 == 0:
		b.Tri = append(b.Tri, r.last[0], r.last[1], corner)
	default:
		b.Tri = append(b.Tri, r.last[1], r.last[0], corner)
	}
	r.last[0], r.last[1] = r.last[1], corner
	r.length++
}
