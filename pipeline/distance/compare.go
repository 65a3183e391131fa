package distance

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// ErrEmpty says that a mesh has no triangles, so that there is no distance to it.
var ErrEmpty = errors.New("the mesh has no triangles")

// Departure says how far one surface lies from another, in millimetres.
type Departure struct {
	Max     float64  // over all samples and all vertices that a triangle uses
	RMS     float64  // over the samples, which are uniform in area
	P999    float64  // 99.9 % of the samples are closer
	MaxAt   geom.Vec // where on the measured surface Max is
	Samples int      // how many samples were spread over the area

	Over []geom.Vec // the samples and vertices further away than Options.Limit, in the order of the mesh
}

// Deviation holds both directions of a comparison. They differ: what is missing
// in one mesh shows only in the distances of the other.
type Deviation struct {
	AToB, BToA Departure
}

// Max returns the larger of the two largest departures: the Hausdorff distance as
// far as the samples show it.
func (d Deviation) Max() float64 { return d.worse().Max }

// MaxAt returns where the largest departure is.
func (d Deviation) MaxAt() geom.Vec { return d.worse().MaxAt }

// RMS returns the larger of the two root mean squares.
func (d Deviation) RMS() float64 { return max(d.AToB.RMS, d.BToA.RMS) }

// P999 returns the larger of the two 99.9 % quantiles.
func (d Deviation) P999() float64 { return max(d.AToB.P999, d.BToA.P999) }

func (d Deviation) worse() Departure {
	if d.BToA.Max > d.AToB.Max {
		return d.BToA
	}
	return d.AToB
}

// Options of TwoSided. The zero value is a sensible default.
type Options struct {
	Samples int // area samples in each direction; 0 means four a triangle, at least 10,000 and at most 1,000,000

	Limit float64 // millimetres; places further away are listed in Departure.Over; 0 lists none
}

func (o Options) samples(m *scan.Mesh) int {
	if o.Samples > 0 {
		return o.Samples
	}
	return min(max(4*m.Triangles(), 10_000), 1_000_000)
}

// TwoSided measures how far a departs from b and b from a: on all vertices in use
// and on samples spread evenly over the area, always the same ones for the same
// mesh. It returns ErrEmpty when a mesh has no triangles, and the errors of Build.
func TwoSided(ctx context.Context, a, b *scan.Mesh, o Options) (Deviation, error) {
	toB, err := OneSided(ctx, a, b, o)
	if err != nil {
		return Deviation{}, fmt.Errorf("measure the first mesh against the second: %w", err)
	}
	toA, err := OneSided(ctx, b, a, o)
	if err != nil {
		return Deviation{}, fmt.Errorf("measure the second mesh against the first: %w", err)
	}
	return Deviation{AToB: toB, BToA: toA}, nil
}

// OneSided measures how far the surface a departs from b; see TwoSided.
func OneSided(ctx context.Context, a, b *scan.Mesh, o Options) (Departure, error) {
	if a.Triangles() == 0 || b.Triangles() == 0 {
		return Departure{}, ErrEmpty
	}
	r, err := NewReference(ctx, b)
	if err != nil {
		return Departure{}, err
	}
	return r.Departure(ctx, a, o)
}

// peak is the largest squared distance of a block, where it is, the sum, and the
// places beyond a limit.
type peak struct {
	d2, sum float64
	at      geom.Vec
	over    []geom.Vec
}

func (k *peak) add(d2, limit2 float64, at geom.Vec) {
	k.sum += d2
	if d2 > limit2 {
		k.over = append(k.over, at)
	}
	if d2 > k.d2 {
		k.d2, k.at = d2, at
	}
}

// join adds the blocks in index order.
func join(blocks []peak) peak {
	var k peak
	for _, b := range blocks {
		k.sum += b.sum
		k.over = append(k.over, b.over...)
		if b.d2 > k.d2 {
			k.d2, k.at = b.d2, b.at
		}
	}
	return k
}

// measureArea returns the peak over all samples, and each squared distance.
func (x *Index) measureArea(ctx context.Context, s *sampling, limit2 float64) (peak, []float32, error) {
	d2 := make([]float32, s.count)
	peaks := make([]peak, len(s.first)-1)
	err := par.Each(ctx, len(peaks), func(block int) error {
		near, k, next, scratch := int32(-1), &peaks[block], s.first[block], x.searcher()
		defer x.done(scratch)
		s.each(block, func(p geom.Vec) {
			f := x.searchFrom(x.local(p), math.Inf(1), near, scratch)
			near = f.place
			k.add(f.d2, limit2, p)
			d2[next] = float32(f.d2)
			next++
		})
		return nil
	})
	return join(peaks), d2, err
}

// measureVertices returns the peak over the vertices that triangles use.
func (x *Index) measureVertices(ctx context.Context, m *scan.Mesh, limit2 float64) (peak, error) {
	used := usedVertices(m)
	peaks := make([]peak, par.Count(m.Vertices(), blockSize))
	err := par.Blocks(ctx, m.Vertices(), blockSize, func(block, lo, hi int) error {
		near, k, scratch := int32(-1), &peaks[block], x.searcher()
		defer x.done(scratch)
		for v := int32(lo); v < int32(hi); v++ {
			if !used.has(v) {
				continue
			}
			p := m.At(v)
			f := x.searchFrom(x.local(p), math.Inf(1), near, scratch)
			near = f.place
			k.add(f.d2, limit2, p)
		}
		return nil
	})
	return join(peaks), err
}

func summarize(onArea, onVertices peak, d2 []float32) Departure {
	d := Departure{Samples: len(d2), Max: math.Sqrt(onArea.d2), MaxAt: onArea.at, Over: append(onArea.over, onVertices.over...)}
	if onVertices.d2 > onArea.d2 {
		d.Max, d.MaxAt = math.Sqrt(onVertices.d2), onVertices.at
	}
	if len(d2) == 0 {
		return d
	}
	d.RMS = math.Sqrt(onArea.sum / float64(len(d2)))
	slices.Sort(d2)
	d.P999 = math.Sqrt(float64(d2[min(len(d2)*999/1000, len(d2)-1)]))
	return d
}
