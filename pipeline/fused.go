package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/format"
	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/normal"
	"trammel/pipeline/reduce"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

const (
	fuseVersion   = 22
	reduceVersion = 8
	// leastCos is the cosine of the flattest incidence that enters the surface: the
	// project rule of CV-12.1 drops returns beyond 75° where another view is better,
	// and their weight of cos² makes them yield before that.
	leastCos = 0.17
	// flattest is that of the fusion, 84°: a return so flat weighs a hundredth, which yields
	// to any other view but closes what no other saw. On the bench scans 0.016 % of the
	// surface were missing at 80°, and 0.008 % are at 84°, with the same error.
	flattest = 0.1
	// Where the sheet is silent about the noise, set-ups and tracked scans are told
	// apart by it: a millimetre and a tenth of one (common practice, no source). Only
	// the ratio of the two matters to the surface.
	usualStationNoise = 1.0
	usualTrackedNoise = 0.1
	// halfDivergence is that of a beam of 1.5 mm waist radius at 1550 nm, radians: the spot of
	// a set-up has that times the distance for its radius (CV-12.2). What is smaller than the
	// spot comes out blurred, so where the spot outgrows a cell it weighs less.
	halfDivergence = 0.33e-3
)

// fuse makes one surface of all placed scans.
func (r *run) fuse(ctx context.Context, b *Built) error {
	list := b.allPlaced()
	if len(list) == 0 {
		return nil
	}
	o := fuse.Options{Voxel: b.Job.Mesh.Voxel, Memory: r.o.Memory, Step: b.usualStep(list), Close: b.Job.Mesh.Close}
	if b.framed() {
		o.Box, o.Keep = b.Job.Object, b.nearMounts()
	}
	o.Fine, o.Feather = b.fineCells(), b.Job.Mesh.Feather
	followed := b.followed(list)
	if slices.Contains(followed, true) {
		o.Follow = func(i int) bool { return followed[i] }
	}
	key, err := b.stageKey("fuse", fuseVersion, []any{o.Voxel, o.Box, o.Step, o.Close, o.Keep, o.Fine, followed, o.Feather, b.masks(list)}, list)
	if err != nil {
		return err
	}
	fused, err := stage.Run(r.store, "fuse", "job", key, stage.With[fuse.Stats](stage.Mesh()), func() (stage.Pair[fuse.Stats, *scan.Mesh], error) {
		m, stats, err := r.fuseViews(ctx, b, list, o)
		if errors.Is(err, fuse.ErrMemory) && b.Job.Mesh.Adapt {
			o.Follow, o.Fine = nil, b.askedFine()
			m, stats, err = r.fuseViews(ctx, b, list, o)
			stats.Plain = true
		}
		if errors.Is(err, fuse.ErrMemory) {
			err = fmt.Errorf("mesh.voxel in the job sheet, or a cell in mesh.fine, is too small for the setting memory: %w", err)
		}
		return stage.Pair[fuse.Stats, *scan.Mesh]{Facts: stats, Value: m}, err
	})
	if err != nil {
		return err
	}
	r.fused, r.fusedKey = fused.Value, key
	b.Mesh.FusedTriangles, b.Mesh.Fusion = fused.Value.Triangles(), fused.Facts
	for _, p := range list {
		b.Mesh.FusedFiles = append(b.Mesh.FusedFiles, p.file)
	}
	if fused.Facts.Plain {
		b.Findings = append(b.Findings, job.Finding{Code: job.MeshDeviation, Severity: job.Note, Subject: "mesh",
			Text: "Memory does not hold the smaller cells around mounts and where tracked scans are dense; the mesh has them only where the job sheet names them. To do: raise the memory setting, or take larger cells."})
	}
	b.Findings = append(b.Findings, b.ghosts(fused.Facts.Ghosts, list)...)
	for _, d := range fused.Facts.Doubles {
		b.Findings = append(b.Findings, b.doubleWall(d, list))
	}
	return r.lookAtStickers(ctx, b)
}

func (r *run) fuseViews(ctx context.Context, b *Built, list []placed, o fuse.Options) (*scan.Mesh, fuse.Stats, error) {
	return fuse.Fuse(ctx, len(list), func(i int) bool { return b.instrument(list[i]).Prefer }, func(ctx context.Context, i int) (fuse.View, error) {
		r.progress("fusing", b.Files[list[i].file].Path, i, len(list))
		return b.fusionView(ctx, list[i])
	}, o)
}

// ForSTL returns the mesh where STL can hold it, and what its coordinates are less by there,
// mm: nothing, or whole metres.
func ForSTL(m *scan.Mesh) (near *scan.Mesh, less geom.Vec) {
	if m.Triangles() == 0 || format.HoldsSTL(m) {
		return m, geom.Vec{}
	}
	const metre = 1000
	c := m.Bounds().Center()
	less = geom.Vec{X: metre * math.Round(c.X/metre), Y: metre * math.Round(c.Y/metre), Z: metre * math.Round(c.Z/metre)}
	moved := *m
	moved.Origin = m.Origin.Sub(less)
	return &moved, less
}

// tellFar says what is moved in the package since its format cannot hold where the mesh is.
func (b *Built) tellFar() {
	_, less := ForSTL(b.Surface)
	if less == (geom.Vec{}) {
		return
	}
	b.Findings = append(b.Findings, job.Finding{Code: job.FarFromOrigin, Severity: job.Warn, Subject: "mesh",
		Text: fmt.Sprintf("The mesh lies around %.0f, %.0f, %.0f mm, where the single precision of STL is coarser than 0.03 mm. The coordinates in object.stl are less by just that; object.ply has them in full. To do: add it where the STL is used beside anything else; or set a datum on the object in the job sheet, or give poses about a place nearby.", less.X, less.Y, less.Z)})
}

// usualStep is how far two scans may lie apart where both saw a surface: three times
// what their places leave open, or twice the noise that the sheet states.
func (b *Built) usualStep(list []placed) float64 {
	var noise, doubt2 float64
	for _, p := range list {
		noise = max(noise, b.noise(p.file))
		doubt2 = max(doubt2, p.cov(p.toFrame.Apply(b.Files[p.file].Bounds.Center())).Trace())
	}
	return max(2*noise, 3*math.Sqrt(2*doubt2))
}

// doubleWall says where one surface is in the mesh twice.
func (b *Built) doubleWall(d fuse.Double, list []placed) job.Finding {
	f := job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: "mesh"}
	at := fmt.Sprintf("around %.0f, %.0f, %.0f mm, over %.0f cm²", d.Center.X, d.Center.Y, d.Center.Z, d.Area/100)
	if d.View >= 0 {
		f.Subject = b.Files[list[d.View].file].Path
		f.Text = fmt.Sprintf("A double wall: %s shows a surface %.1f mm from where the scans fused before show it, %s; the mesh holds neither but their mean.", job.Printable(f.Subject), d.Gap, at)
	} else {
		f.Text = fmt.Sprintf("A double wall: two sheets that face the same way stand %.1f mm apart, %s.", d.Gap, at)
	}
	f.Text += " To do: check that nothing moved between the scans and that each is tied well; leave out or repeat the scan that lies apart."
	return f
}

func (b *Built) instrument(p placed) job.Instrument {
	return b.Job.Instruments[b.Files[p.file].Instrument]
}

// fusionView loads a scan with normals, and weights and areas for its points.
func (b *Built) fusionView(ctx context.Context, p placed) (fuse.View, error) {
	content, err := b.read(ctx, p.file)
	if err != nil {
		return fuse.View{}, err
	}
	noise, bare := b.instrument(p).Noise, b.unstick(p)
	if content.Mesh != nil && b.Files[p.file].Kind == job.Tracked {
		view := meshView(content.Mesh, p.toFrame, orElse(noise, usualTrackedNoise))
		view.Left.Read = int64(content.Mesh.Vertices())
		for _, w := range view.Weight {
			if w == 0 {
				view.Left.Edges++ // of no triangle
			}
		}
		view.Loading = meshLoading * int64(content.Mesh.Vertices()+content.Mesh.Triangles())
		view.Left.Hidden = bare.hide(view)
		return view, nil
	}
	points := pointsOf(content)
	sight := seen(points, b.Files[p.file].Kind)
	left := fuse.Left{Read: int64(points.Len())}
	bare.drop(points)
	left.Hidden = left.Read - int64(points.Len())
	c, view, err := b.thinned(ctx, points, p.file)
	if errors.Is(err, normal.ErrFew) {
		return fuse.View{Cloud: &scan.Cloud{}}, nil
	}
	if err != nil {
		return fuse.View{}, err
	}
	noise = orElse(noise, usualStationNoise)
	out := cloudView(c, view, p.toFrame, noise, b.Job.Mesh.Voxel)
	left.Edges = int64(view.Edges)
	for i, w := range out.Weight {
		if w == 0 {
			left.Flat += int64(view.Count[i])
		}
	}
	out.Left = left
	out.Sight, out.Loading = sight, cloudLoading*int64(points.Len())
	out.Finer = func(ctx context.Context, voxel float64, isNear func(p geom.Vec) bool) (fuse.View, error) {
		return finerView(ctx, points, view, p.toFrame, noise, voxel, isNear)
	}
	return out, nil
}

// What loading a scan takes, in bytes: of a cloud 12 a point and 20 while its points are
// averaged (66 MB for 2 million were measured), of a mesh what it takes and once more while it
// is read.
const (
	cloudLoading = 32
	meshLoading  = 24
)

// thinned averages the points of a scan that lie within a cell of the fusion: they
// enter the same places of the grid, with less work.
func (b *Built) thinned(ctx context.Context, c *scan.Cloud, file int) (*scan.Cloud, normal.View, error) {
	thin, v, err := normal.Thin(ctx, c, normal.Options{Kind: b.seenFrom(file)}, b.Job.Mesh.Voxel)
	if errors.Is(err, normal.ErrView) {
		return normal.Thin(ctx, c, normal.Options{Kind: normal.Station}, b.Job.Mesh.Voxel) // what the job sheet says of it
	}
	return thin, v, err
}

func orElse(x, otherwise float64) float64 {
	if x > 0 {
		return x
	}
	return otherwise
}

// cloudView weights the points of a set-up by inverse variance, which grows with
// the square of the incidence (CV-12.1) and falls with the number of points that
// each stands for, and gives each the area between its lines of sight.
func cloudView(c *scan.Cloud, v normal.View, toFrame geom.Pose, noise, voxel float64) fuse.View {
	out := fuse.View{Cloud: c, ToCommon: toFrame, Weight: make([]float32, c.Len()), Area: make([]float32, c.Len()), Count: v.Count}
	for i := range c.X {
		cos := float64(v.Cos[i])
		if cos < flattest {
			continue
		}
		n := float64(v.Count[i])
		across, spot := v.Spacing, 0.0
		if v.Kind == normal.Station {
			far := c.At(i).Norm()
			across *= far
			spot = halfDivergence * far
		}
		area := n * across * across / cos
		out.Weight[i] = float32(n * cos * cos / (noise * noise) * fuse.Sharpness(area, spot*spot/cos, voxel))
		out.Area[i] = float32(area)
	}
	return out
}

// meshView weights the vertices of a tracked scan alike and gives each a third of
// the triangles around it.
func meshView(m *scan.Mesh, toFrame geom.Pose, noise float64) fuse.View {
	c := m.Cloud()
	out := fuse.View{Cloud: c, ToCommon: toFrame, Weight: make([]float32, c.Len()), Area: make([]float32, c.Len())}
	for t := range m.Triangles() {
		p, q, s := m.Corners(t)
		third := float32(q.Sub(p).Cross(s.Sub(p)).Norm() / 6)
		for _, v := range m.Tri[3*t : 3*t+3] {
			out.Area[v] += third
		}
	}
	for i, a := range out.Area {
		if a > 0 {
			out.Weight[i] = float32(1 / (noise * noise))
		}
	}
	return out
}

// finerAtMounts is how many times smaller the errors around a mount must be: bolt
// holes must stay round.
const finerAtMounts = 4

// nearMounts returns boxes around the mounts, in the frame of the deliverables: holes
// stay open and errors small there.
func (b *Built) nearMounts() []geom.Box {
	var out []geom.Box
	for _, m := range b.Job.Mounts {
		reach := geom.Vec{X: 1, Y: 1, Z: 1}.Scale(max(m.Diameter, 10))
		out = append(out, geom.Box{Min: m.Near.Sub(reach), Max: m.Near.Add(reach)})
	}
	return out
}

// reduce makes fewer triangles and measures what that costs.
func (r *run) reduce(ctx context.Context, b *Built) error {
	if r.fused == nil || r.fused.Triangles() == 0 {
		return nil
	}
	o := reduce.Options{Triangles: b.Job.Mesh.Triangles, Deviation: b.Job.Mesh.Deviation, Finer: b.finer()}
	if b.Job.Mesh.Adapt {
		o.Cell = b.Job.Mesh.Voxel
	}
	r.spareFused(&o)
	all, key, err := r.reduceLevels(ctx, b, o)
	if err != nil {
		return err
	}
	b.Surface, b.MeshKey = all[0].Value, key
	b.describe(all[0].Facts)
	b.tellFar()
	for _, l := range all[1:] {
		d := l.Facts.Deviation
		b.Levels = append(b.Levels, Level{Surface: l.Value, DeviationMax: d.Max(), DeviationRMS: d.RMS(), DeviationAt: d.MaxAt()})
	}
	if err := r.markClosed(ctx, b, key); err != nil {
		return err
	}
	if err := r.depart(ctx, b, key); err != nil {
		return err
	}
	r.toFused = nil // its memory is for the scans
	return r.meetRaw(ctx, b, key)
}

func (b *Built) describe(s reduce.Stats) {
	b.Mesh.Triangles, b.Mesh.DeviationMax, b.Mesh.DeviationRMS = b.Surface.Triangles(), s.Deviation.Max(), s.Deviation.RMS()
	b.Mesh.DeviationAt, b.Mesh.Area, b.Mesh.Bounds = s.Deviation.MaxAt(), b.Surface.Area(), b.Surface.Bounds()
	b.Mesh.BoundaryEdges, b.Mesh.NonManifoldEdges = s.BorderEdges, s.ComplexEdges
	if s.BudgetMet && s.DeviationMet {
		return
	}
	b.Findings = append(b.Findings, job.Finding{Code: job.MeshDeviation, Severity: job.Hold, Subject: "mesh",
		Text: fmt.Sprintf("The mesh cannot be reduced to %d triangles within %.3g mm of the fused one: it has %d at %.3g mm. To do: allow more triangles or a larger deviation in the job sheet.",
			b.Job.Mesh.Triangles, b.Job.Mesh.Deviation, b.Mesh.Triangles, b.Mesh.DeviationMax)})
}

const departVersion = 2

// placesAtOnce is how many places of a mesh are asked for at once, so that the answers take
// little beside the mesh: 80 bytes each.
const placesAtOnce = 1 << 18

// depart takes the signed distance of every vertex of the reduced mesh from the
// fused one, for the picture of it.
func (r *run) depart(ctx context.Context, b *Built, mesh stage.Key) error {
	key, err := stage.KeyOf("depart", departVersion, nil, mesh)
	if err != nil {
		return err
	}
	b.Departure, err = stage.Run(r.store, "depart", "job", key, stage.Values(), func() ([]float32, error) {
		fused, err := r.reference(ctx, 0)
		if err != nil {
			return nil, err
		}
		out := make([]float32, 0, b.Surface.Vertices())
		for len(out) < cap(out) {
			points := make([]geom.Vec, min(placesAtOnce, cap(out)-len(out)))
			for i := range points {
				points[i] = b.Surface.At(int32(len(out) + i))
			}
			hits, err := fused.ClosestAll(ctx, points, math.Inf(1))
			if err != nil {
				return nil, err
			}
			for _, h := range hits {
				out = append(out, float32(h.Signed))
			}
		}
		return out, nil
	})
	return err
}
