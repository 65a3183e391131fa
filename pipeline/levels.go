package pipeline

import (
	"context"
	"math"
	"slices"

	"trammel/pipeline/distance"
	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/reduce"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

// Level is a coarser mesh that the sheet asks for besides.
type Level struct {
	Surface                    *scan.Mesh
	DeviationMax, DeviationRMS float64 // two-sided, fused ↔ this mesh, mm
	DeviationAt                geom.Vec
	Closed                     []int32 // see Built.Closed
}

// kept is a reduced mesh as the store keeps it.
type kept = stage.Pair[reduce.Stats, *scan.Mesh]

// reduceLevels returns the reduced mesh and the coarser ones. They are made in one go,
// each from the one before, and kept one by one.
func (r *run) reduceLevels(ctx context.Context, b *Built, o reduce.Options) ([]kept, stage.Key, error) {
	main, err := stage.KeyOf("reduce", reduceVersion, o, r.fusedKey)
	if err != nil {
		return nil, main, err
	}
	var all []reduce.Level
	compute := func(i int) func() (kept, error) {
		return func() (kept, error) {
			if all == nil {
				with := o
				with.Levels, with.Memory = b.Job.Mesh.Levels, r.leftFor(0)
				if all, err = reduce.Levels(ctx, r.fused, r.reference, with); err != nil {
					return kept{}, err
				}
			}
			return kept{Facts: all[i].Stats, Value: all[i].Mesh}, nil
		}
	}
	var out []kept
	for i := range 1 + len(b.Job.Mesh.Levels) {
		name, key := "reduce", main
		if i > 0 {
			name = "level"
			if key, err = stage.KeyOf(name, reduceVersion, b.Job.Mesh.Levels[:i], main); err != nil {
				return nil, main, err
			}
		}
		k, err := stage.Run(r.store, name, "job", key, stage.With[reduce.Stats](stage.Mesh()), compute(i))
		if err != nil {
			return nil, main, err
		}
		out = append(out, k)
	}
	return out, main, nil
}

// RawDistance says how far the points of a scan lie from the reduced mesh, in
// millimetres: the points averaged over a fusion cell, without those at depth edges.
type RawDistance struct {
	File      int      // index into Checked.Files
	Points    int      // within reach of the mesh
	Beyond    int      // further away than five cells: not of the object, or not in the mesh
	Median    float64  // signed, positive outside
	RMS, P999 float64  // of the points within reach; 99.9 % are closer than P999
	Max       float64  // within reach
	MaxAt     geom.Vec // in the frame of the deliverables
}

const (
	rawVersion = 3
	// rawReach is how far from the mesh a point may lie to count as one of its surface, in
	// cells: beyond the band of the fusion and what smooths across edges.
	rawReach = 5
)

// metRaw is what the points of the scans say.
type metRaw struct {
	Distances []RawDistance
	Seam      *Seam
}

// meetRaw measures the points of every scan against the reduced mesh, and looks at what lies
// around the largest step of the seam.
func (r *run) meetRaw(ctx context.Context, b *Built, mesh stage.Key) error {
	list := b.allPlaced()
	keys, err := b.keysOf(list)
	if err != nil {
		return err
	}
	var box *geom.Box
	if b.framed() {
		box = b.Job.Object
	}
	key, err := stage.KeyOf("raw", rawVersion, []any{fuseVersion, b.Job.Mesh.Voxel, box, b.Job.Mesh.Feather}, append([]stage.Key{mesh}, keys...)...)
	if err != nil {
		return err
	}
	met, err := stage.Run(r.store, "raw", "job", key, stage.With[metRaw](stage.Values()), func() (stage.Pair[metRaw, []float32], error) {
		return b.meet(ctx, list, box)
	})
	if err != nil {
		return err
	}
	b.Mesh.Raw, b.FromRaw, b.Seam = met.Facts.Distances, met.Value, met.Facts.Seam
	b.cutSeam(r.fused)
	return nil
}

// meet measures scan by scan, and takes the mean around each vertex.
func (b *Built) meet(ctx context.Context, list []placed, box *geom.Box) (met stage.Pair[metRaw, []float32], err error) {
	index, err := distance.Build(ctx, b.Surface)
	if err != nil {
		return met, err
	}
	seam := b.newSeam()
	sums, counts := make([]float64, b.Surface.Vertices()), make([]int32, b.Surface.Vertices())
	for _, p := range list {
		v, err := b.fusionView(ctx, p)
		if err != nil {
			return met, err
		}
		hits, points, err := closestToView(ctx, index, v, box, rawReach*b.Job.Mesh.Voxel)
		if err != nil {
			return met, err
		}
		for _, h := range hits {
			if h.Triangle >= 0 {
				at := nearestCorner(b.Surface, h)
				sums[at] += h.Signed
				counts[at]++
			}
		}
		d := rawDistance(hits, points)
		d.File = p.file
		met.Facts.Distances = append(met.Facts.Distances, d)
		if seam != nil {
			seam.take(points, b.instrument(p).Prefer, b.Mesh.Fusion.Seam.Worst, b.Job.Mesh.Voxel)
		}
	}
	met.Facts.Seam = seam
	met.Value = make([]float32, len(sums))
	for i, n := range counts {
		met.Value[i] = float32(sums[i] / float64(n)) // NaN where there is none
	}
	return met, nil
}

// nearestCorner returns the vertex of the hit's triangle that is nearest to it.
func nearestCorner(m *scan.Mesh, h distance.Hit) int32 {
	var best int32
	least := math.Inf(1)
	for _, v := range m.Tri[3*h.Triangle : 3*h.Triangle+3] {
		if d := m.At(v).Sub(h.Point).Norm2(); d < least {
			best, least = v, d
		}
	}
	return best
}

// closestToView returns the points of a view that count and lie in the box, and what is
// closest to each.
func closestToView(ctx context.Context, index *distance.Index, v fuse.View, box *geom.Box, reach float64) (hits []distance.Hit, points []geom.Vec, err error) {
	for i := range v.Cloud.X {
		if p := v.ToCommon.Apply(v.Cloud.At(i)); v.Weight[i] > 0 && p.IsFinite() && (box == nil || box.Contains(p)) {
			points = append(points, p)
		}
	}
	hits, err = index.ClosestAll(ctx, points, reach)
	return hits, points, err
}

// rawDistance sums up how far the points of a scan lie from the mesh.
func rawDistance(hits []distance.Hit, points []geom.Vec) RawDistance {
	var d RawDistance
	var signed, size []float64
	var squares float64
	for i, h := range hits {
		if h.Triangle < 0 {
			d.Beyond++
			continue
		}
		signed, size, squares = append(signed, h.Signed), append(size, math.Abs(h.Signed)), squares+h.Signed*h.Signed
		if e := math.Abs(h.Signed); e >= d.Max {
			d.Max, d.MaxAt = e, points[i]
		}
	}
	if d.Points = len(signed); d.Points == 0 {
		return d
	}
	slices.Sort(signed)
	slices.Sort(size)
	d.Median, d.P999 = signed[d.Points/2], size[min(d.Points*999/1000, d.Points-1)]
	d.RMS = math.Sqrt(squares / float64(d.Points))
	return d
}
