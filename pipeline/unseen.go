package pipeline

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"trammel/pipeline/coverage"
	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
	"trammel/pipeline/surface"
)

const (
	unseenVersion = 4
	// coarseness is the number of cells along the diagonal of what is to be looked at:
	// a sprayer of five metres is looked at in cells of 25 mm, and gaps from 100 mm on are
	// found in seconds.
	coarseness = 200
	// leastGapCells is the side of the smallest gap that counts, in such cells.
	leastGapCells = 4
	// farthest is how far from a gap a set-up is proposed at most: a scanner is usable to
	// some 25 m (common practice, no source).
	farthest = 25000
)

// Unseen is what the scans so far did not show of the object.
type Unseen struct {
	Seen    float64        // area of the surface seen, mm², in cells of Cell
	Known   float64        // at least so much lies in gaps that nobody looked through, mm²
	Missing float64        // of all their closing faces, mm²
	Cell    float64        // mm
	Gaps    []coverage.Gap // the largest first, frame of the deliverables
	Next    []coverage.Candidate
	Regions []RegionGap // in the order of the sheet's regions
}

// RegionGap is what is unseen in one required region, mm².
type RegionGap = coverage.Hole

// Share is the share of the surface that was seen at the most: what is known to be
// missing is the rest.
func (u *Unseen) Share() float64 { return shareOf(u.Seen, u.Known) }

// LeastShare is the share that was seen if all closing faces of gaps are surface.
func (u *Unseen) LeastShare() float64 { return shareOf(u.Seen, u.Missing) }

func shareOf(seen, missing float64) float64 {
	if seen+missing == 0 {
		return 0
	}
	return seen / (seen + missing)
}

// unseen looks at the object coarsely for what is not closed, why, and from where it
// could be seen.
func (r *run) unseen(ctx context.Context, b *Built, list []placed) (*Unseen, error) {
	box := b.lookedAt()
	if box == nil || len(list) == 0 || !b.framed() {
		return nil, nil
	}
	cell := max(box.Size().Norm()/coarseness, 2*b.grain())
	key, err := b.stageKey("unseen", unseenVersion, struct {
		Cell    float64
		Box     geom.Box
		Regions []job.Region
	}{cell, *box, b.Job.Coverage}, list)
	if err != nil {
		return nil, err
	}
	return stage.Run(r.store, "unseen", "job", key, stage.JSON[*Unseen](), func() (*Unseen, error) { return r.unseenNow(ctx, b, list, *box, cell) })
}

// lookedAt is the part of space whose surface matters: the object's box, or else
// what holds all required regions; nil without either.
func (b *Built) lookedAt() *geom.Box {
	if b.Job.Object != nil {
		return b.Job.Object
	}
	box := geom.EmptyBox()
	for _, c := range b.Job.Coverage {
		box = box.Union(c.Box)
	}
	if box.IsEmpty() {
		return nil
	}
	return &box
}

func (r *run) unseenNow(ctx context.Context, b *Built, list []placed, box geom.Box, cell float64) (*Unseen, error) {
	var sights []*coverage.Sight
	mesh, _, err := fuse.Fuse(ctx, len(list), func(int) bool { return false }, func(ctx context.Context, i int) (fuse.View, error) {
		p := list[i]
		r.progress("looking for gaps", b.Files[p.file].Path, i, len(list))
		c, err := r.thin(ctx, b, p.file)
		if err != nil {
			return fuse.View{}, err
		}
		if c.Sight.Known && !c.Sight.Parallel && c.Len() > 0 {
			sights = append(sights, coverage.NewSight(b.Files[p.file].Path, c.Cloud, p.toFrame))
		}
		return coarseView(surface.Thin(within(c.Cloud, p.toFrame, box.Grow(cell)), cell/2), p.toFrame, cell/2), nil
	}, fuse.Options{Voxel: cell, Box: &box})
	if err != nil {
		return nil, err
	}
	u := &Unseen{Cell: cell, Seen: mesh.Area(), Gaps: coverage.Gaps(mesh, &box, 2*cell, leastGapCells*leastGapCells*cell*cell)}
	for i := range u.Gaps {
		u.Gaps[i].Explain(sights, 2*cell)
	}
	u.count(b, mesh)
	u.Next, err = coverage.Next(ctx, mesh, cell, u.Gaps, b.standpoints(box), farthest)
	slices.SortStableFunc(u.Next, func(p, q coverage.Candidate) int {
		switch {
		case p.Adds > q.Adds:
			return -1
		case p.Adds < q.Adds:
			return 1
		}
		return 0
	})
	u.Next = u.Next[:min(len(u.Next), 3)]
	u.shorten()
	return u, err
}

// within keeps the points of a cloud that lie in a box of the frame of the
// deliverables.
func within(c *scan.Cloud, toFrame geom.Pose, box geom.Box) *scan.Cloud {
	return selected(c, func(i int) bool { return box.Contains(toFrame.Apply(c.At(i))) })
}

// coarseView weighs all points of a thinned scan alike, each standing for its cell.
func coarseView(c *scan.Cloud, toFrame geom.Pose, cell float64) fuse.View {
	v := fuse.View{Cloud: c, ToCommon: toFrame, Weight: make([]float32, c.Len()), Area: make([]float32, c.Len())}
	for i := range c.X {
		v.Weight[i], v.Area[i] = 1, float32(cell*cell)
	}
	return v
}

// count adds up what is missing, as a whole and by region.
func (u *Unseen) count(b *Built, mesh *scan.Mesh) {
	u.Regions = make([]RegionGap, len(b.Job.Coverage))
	for t := range mesh.Triangles() {
		p, q, s := mesh.Corners(t)
		middle, area := p.Add(q).Add(s).Scale(1.0/3), q.Sub(p).Cross(s.Sub(p)).Norm()/2
		for k, c := range b.Job.Coverage {
			if c.Box.Contains(middle) {
				u.Regions[k].Seen += area
			}
		}
	}
	backs := coverage.NewBacks(mesh, u.Cell)
	for _, c := range coverage.Least(u.Gaps, u.Cell) {
		u.Known += c.Least
		u.Missing += c.Whole
		for _, g := range c.Gaps {
			u.countIn(b, u.Gaps[g].Places, c.Least/c.Whole, backs)
		}
	}
}

// countIn adds the closing faces of a gap to the regions that they lie in. What is known
// of a cluster is shared out by their area; a face on the back of surface that was seen
// stands for another side, which lies elsewhere.
func (u *Unseen) countIn(b *Built, places []coverage.Place, known float64, backs *coverage.Backs) {
	for _, p := range places {
		behind := backs.Behind(p)
		for k, c := range b.Job.Coverage {
			if !c.Box.Contains(p.At) {
				continue
			}
			u.Regions[k].Missing += p.Area
			if !behind {
				u.Regions[k].Known += known * p.Area
			}
		}
	}
}

// mostCorners is what is kept of a gap's edge: enough to draw it.
const mostCorners = 64

// shorten drops what nobody reads: closing faces, and all but some corners.
func (u *Unseen) shorten() {
	for i := range u.Gaps {
		g := &u.Gaps[i]
		g.Places = nil
		if n := len(g.Loop); n > mostCorners {
			for k := range mostCorners {
				g.Loop[k] = g.Loop[k*n/mostCorners]
			}
			g.Loop = g.Loop[:mostCorners]
		}
	}
}

// standpoints are the places where a scanner is tried: around the box on low, middle
// and high stands, nearer and farther, in the frame of the deliverables. Where the floor
// is, only the box tells: a little below its lower side.
func (b *Built) standpoints(box geom.Box) []geom.Vec {
	middle, half := box.Center(), box.Size().Scale(0.5)
	var out []geom.Vec
	for k := range 16 {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / 16)
		for _, aside := range []float64{1200, setUpAside} {
			for _, height := range []float64{300, 900, 2000} {
				out = append(out, geom.Vec{X: middle.X + cos*(half.X+aside), Y: middle.Y + sin*(half.Y+aside), Z: box.Min.Z + height})
			}
		}
	}
	return out
}

// Words says in a few sentences what is unseen and what to do about it, nothing where
// all is closed.
func (u *Unseen) Words() string {
	if u == nil || u.Seen == 0 {
		return ""
	}
	var words []string
	for _, g := range u.Gaps {
		if g.Reason != coverage.Open && len(words) < 3 {
			at := g.Center.Scale(1e-3)
			words = append(words, fmt.Sprintf("%.2f m² at (%.1f, %.1f, %.1f) m, %s", g.Area*1e-6, at.X, at.Y, at.Z, because(g)))
		}
	}
	if len(words) == 0 {
		return fmt.Sprintf("No gap of more than %.0f mm is left in the %.1f m² seen.", leastGapCells*u.Cell, u.Seen*1e-6)
	}
	text := fmt.Sprintf("About %.0f to %.0f %% of the surface were seen (%.1f m², with at least %.1f m² in gaps that nobody looked through, and %.1f m² by their closing faces); the largest gaps: %s.",
		100*u.LeastShare(), 100*u.Share(), u.Seen*1e-6, u.Known*1e-6, u.Missing*1e-6, strings.Join(words, "; "))
	if len(u.Next) > 0 && u.Next[0].Adds > 0.05*u.Missing {
		at := u.Next[0].At.Scale(1e-3)
		text += fmt.Sprintf(" A set-up near (%.1f, %.1f, %.1f) m would see about %.2f m² of them.", at.X, at.Y, at.Z, u.Next[0].Adds*1e-6)
	}
	return text
}

func because(g coverage.Gap) string {
	switch g.Reason {
	case coverage.Mute:
		return "in sight of " + job.Printable(g.Best) + ", but nothing came back: dark and shiny, or translucent"
	case coverage.Grazing:
		return "seen too flat, best by " + job.Printable(g.Best)
	default:
		return "never in sight"
	}
}
