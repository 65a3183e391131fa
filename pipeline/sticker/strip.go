package sticker

import (
	"cmp"
	"context"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Strip is a thin raised strip on the skin: tape.
type Strip struct {
	Center        geom.Vec // on the skin below it, frame of the scan
	Normal        geom.Vec // unit, to the outside
	Along         geom.Vec // unit, in the middle
	Length, Width float64  // mm
	Height, Sigma float64  // mm, and its standard uncertainty
	Points        int      // on the strip
	Zones         []Zone   // its pieces, in order along it
}

// Sizes of tape that is looked for, mm: from narrow marking tape to wide cloth tape
// (common practice, no source), with room for what the edges leave open.
const (
	narrowest, widest = 10.0, 60.0
	widthSlack        = 4.0
	shortest          = 20.0
	slenderness       = 1.3 // least length over width
	pieceLength       = 40.0
)

// FindStrips returns the strips of tape in a scan: two lines along which the skin steps
// up and down again by the same thickness, with smooth skin beyond both and a flat top
// between, each piece of which stands above a paraboloid through the skin beside it. c
// must have normals. Ribs, beads and glued-on labels of the same size look the same. The
// error is that of ctx.
func FindStrips(ctx context.Context, c *scan.Cloud) ([]Strip, error) {
	spacing := spacingOf(c)
	if !c.HasNormals() || !(spacing < coarsestForStrips) {
		return nil, nil
	}
	edges, err := newSteps(c, spacing).find(ctx)
	if err != nil || len(edges) == 0 {
		return nil, err
	}
	ones := make([]float64, c.Len())
	for i := range ones {
		ones[i] = 1
	}
	m := &stripMeter{fine: &field{c, ones, newCells(c, roundWindow)}, spacing: spacing}
	var out []Strip
	for _, pair := range pairs(edges) {
		if slices.ContainsFunc(out, func(s Strip) bool { return s.Holds(pair.middle()) }) {
			continue
		}
		s, ok := m.measure(pair)
		if ok && !slices.ContainsFunc(out, func(o Strip) bool { return o.Holds(s.Center) || s.Holds(o.Center) }) {
			out = append(out, s)
		}
	}
	return out, ctx.Err()
}

// Holds reports whether a place lies on the strip.
func (s *Strip) Holds(p geom.Vec) bool {
	return slices.ContainsFunc(s.Zones, func(z Zone) bool { return z.Covers(p) })
}

// Moved carries the strip along with its scan.
func (s *Strip) Moved(p geom.Pose) Strip {
	out := *s
	out.Center, out.Normal, out.Along = p.Apply(s.Center), p.Turn(s.Normal), p.Turn(s.Along)
	out.Zones = slices.Clone(s.Zones)
	for i := range out.Zones {
		out.Zones[i].Skin = s.Zones[i].Moved(p)
	}
	return out
}

// spacingOf is the spacing of a scan's points, from how many share a cell of 8 mm.
func spacingOf(c *scan.Cloud) float64 {
	g := &cells{size: roundWindow}
	count := map[[3]int32]float64{}
	n := 0.0
	for i := range c.Len() {
		if p := c.At(i); p.IsFinite() {
			count[g.of(p)]++
			n++
		}
	}
	if n == 0 {
		return math.Inf(1)
	}
	// The mean over points of how many share their cell: cells that the skin clips count
	// for little.
	sum := 0.0
	for _, k := range sortedKeys(count) {
		sum += count[k] * count[k]
	}
	return roundWindow / math.Sqrt(sum/n)
}

func sortedKeys(m map[[3]int32]float64) [][3]int32 {
	keys := make([][3]int32, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b [3]int32) int {
		return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(a[1], b[1]), cmp.Compare(a[2], b[2]))
	})
	return keys
}

const (
	linkReach = 18.0 // mm: edges of one line lie closer
	linkAside = 3.0  // mm: and no farther off it
	linkCos   = 0.94 // 20 degrees
	facing    = -0.9 // cosine between the up directions of a strip's two edges
	besideMax = 6.0  // mm: how far off square two edges that face each other may lie
	leastPair = 3    // votes
	alike     = 2.5  // largest ratio of two edges' steps
)

// lines numbers the edges by the line that they form.
func lines(edges []edge) []int {
	root := make([]int, len(edges))
	for i := range root {
		root[i] = i
	}
	find := func(i int) int {
		for root[i] != i {
			root[i] = root[root[i]]
			i = root[i]
		}
		return i
	}
	g := newEdgeCells(linkReach)
	for i, e := range edges {
		g.around(e.at, 1, func(k int) {
			o := &edges[k]
			d := o.at.Sub(e.at)
			if d.Norm() < linkReach && o.up.Dot(e.up) > linkCos && math.Abs(d.Dot(e.up)) < linkAside && o.n.Dot(e.n) > linkCos {
				a, b := find(i), find(k)
				root[max(a, b)] = min(a, b)
			}
		})
		g.put(e.at, i)
	}
	for i := range root {
		root[i] = find(i)
	}
	return root
}

// vote says that two edges face each other.
type vote struct {
	middle, n, along geom.Vec
	width            float64
}

// pairing is two lines that face each other.
type pairing struct{ votes []vote }

func (p *pairing) middle() geom.Vec { return p.votes[len(p.votes)/2].middle }

// pairs lists the lines that face each other, those with the most votes first.
func pairs(edges []edge) []pairing {
	line := lines(edges)
	g := newEdgeCells(16)
	for i, e := range edges {
		g.put(e.at, i)
	}
	index := map[[2]int]int{}
	var out []pairing
	for i := range edges {
		best := map[int]int{} // nearest edge of each line that faces this one
		var order []int
		g.around(edges[i].at, 5, func(k int) {
			w, ok := faces(&edges[i], &edges[k])
			if !ok {
				return
			}
			b, known := best[line[k]]
			if !known {
				order = append(order, line[k])
			}
			if !known || w < edges[b].at.Sub(edges[i].at).Dot(edges[i].up) {
				best[line[k]] = k
			}
		})
		for _, l := range order {
			k := best[l]
			key := [2]int{min(line[i], l), max(line[i], l)}
			at, ok := index[key]
			if !ok {
				at = len(out)
				index[key], out = at, append(out, pairing{})
			}
			out[at].votes = append(out[at].votes, voteOf(&edges[i], &edges[k]))
		}
	}
	for i := range out {
		if !out[i].settle() {
			out[i].votes = nil
		}
	}
	out = slices.DeleteFunc(out, func(p pairing) bool { return p.votes == nil })
	slices.SortStableFunc(out, func(a, b pairing) int { return cmp.Compare(len(b.votes), len(a.votes)) })
	return out
}

// faces reports whether two edges step up towards each other, and how far apart they are.
func faces(a, b *edge) (float64, bool) {
	d := b.at.Sub(a.at)
	w := d.Dot(a.up)
	along := math.Abs(d.Dot(a.n.Cross(a.up)))
	return w, w > narrowest-widthSlack && w < widest+widthSlack && a.up.Dot(b.up) < facing && along < besideMax &&
		math.Abs(d.Dot(a.n)) < w/2 && a.step < alike*b.step && b.step < alike*a.step
}

func voteOf(a, b *edge) vote {
	v := vote{middle: a.at.Add(b.at).Scale(0.5), n: a.n.Add(b.n).Unit(), width: a.at.Dist(b.at)}
	v.along = v.n.Cross(a.up.Sub(b.up)).Unit()
	return v
}

// settle keeps the votes of about one width, in order along the strip.
func (p *pairing) settle() bool {
	if len(p.votes) < leastPair {
		return false
	}
	widths := make([]float64, len(p.votes))
	for i, v := range p.votes {
		widths[i] = v.width
	}
	slices.Sort(widths)
	width := widths[len(widths)/2]
	var along geom.Vec
	kept := p.votes[:0]
	for _, v := range p.votes {
		if math.Abs(v.width-width) >= 2+0.15*width {
			continue
		}
		if v.along.Dot(along) < 0 { // both edges may be of one line, which runs around the strip
			v.along = v.along.Scale(-1)
		}
		kept = append(kept, v)
		along = along.Add(v.along)
	}
	p.votes = kept
	slices.SortStableFunc(kept, func(a, b vote) int { return cmp.Compare(a.middle.Dot(along), b.middle.Dot(along)) })
	if len(kept) < leastPair || along.Norm() < 0.7*float64(len(kept)) {
		return false
	}
	return kept[len(kept)-1].middle.Sub(kept[0].middle).Dot(along.Unit()) >= shortest/2
}
