package pipeline

import (
	"context"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/mount"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

const patchVersion = 1

// Patch is the registered raw surface around a mount at its native resolution, in
// the frame of the deliverables.
type Patch struct {
	Mount string     // its name
	File  string     // what its file is called
	Mesh  *scan.Mesh // of the instrument that measured the mount
}

// span says which vertices and triangles of the joined patches are a mount's.
type span struct {
	Mount             string
	Vertices, Corners int // counted from 0, first of the next
}

// patch cuts the raw surface around each mount out of the scans of the instrument
// that measured it. All patches are kept as one mesh and its spans.
func (r *run) patch(ctx context.Context, b *Built) error {
	var found []mount.Result
	for _, m := range b.Mounts {
		if m.Found && m.Kind != job.Pattern {
			found = append(found, m)
		}
	}
	if len(found) == 0 {
		return nil
	}
	list := b.allPlaced()
	type place struct {
		Name, Instrument string
		Center, Axis     geom.Vec
		Radius           float64
	}
	places := make([]place, len(found))
	for i := range found {
		m := &found[i]
		places[i] = place{m.Name, m.Instrument, m.Center, m.Axis, mount.PatchRadius(m)}
	}
	key, err := b.stageKey("patch", patchVersion, places, list)
	if err != nil {
		return err
	}
	kept, err := stage.Run(r.store, "patch", "job", key, stage.With[[]span](stage.Mesh()), func() (stage.Pair[[]span, *scan.Mesh], error) {
		return r.cutPatches(ctx, b, list, found)
	})
	if err != nil {
		return err
	}
	b.Patches = separate(kept)
	return nil
}

func (r *run) cutPatches(ctx context.Context, b *Built, list []placed, found []mount.Result) (out stage.Pair[[]span, *scan.Mesh], err error) {
	patches := make([]*scan.Mesh, len(found))
	for i := range found {
		patches[i] = &scan.Mesh{Origin: found[0].Center}
	}
	for k, p := range list {
		name := b.Job.Instruments[b.Files[p.file].Instrument].Name
		if !measures(found, name) {
			continue
		}
		r.progress("cutting out mounts", b.Files[p.file].Path, k, len(list))
		content, err := b.read(ctx, p.file)
		if err != nil {
			return out, err
		}
		for i := range found {
			m := &found[i]
			switch radius := mount.PatchRadius(m); {
			case m.Instrument != name:
			case content.Mesh != nil:
				mount.CutMesh(patches[i], content.Mesh, p.toFrame, m.Center, radius)
			default:
				near := nearby(content.Cloud, p.toFrame, m.Center, radius)
				mount.MeshPoints(patches[i], near, b.eye(p), m.Center, b.front(p, m), radius)
			}
		}
	}
	all := &scan.Mesh{Origin: found[0].Center}
	for i, m := range patches {
		base := int32(all.Vertices())
		all.X, all.Y, all.Z = append(all.X, m.X...), append(all.Y, m.Y...), append(all.Z, m.Z...)
		for _, v := range m.Tri {
			all.Tri = append(all.Tri, base+v)
		}
		out.Facts = append(out.Facts, span{found[i].Name, all.Vertices(), len(all.Tri)})
	}
	out.Value = all
	return out, nil
}

func measures(found []mount.Result, instrument string) bool {
	for i := range found {
		if found[i].Instrument == instrument {
			return true
		}
	}
	return false
}

// eye is where a set-up's scanner stood, in the frame of the deliverables; nil for
// scans that were not taken from one place.
func (b *Built) eye(p placed) *geom.Vec {
	if !isSetUp(b.Files[p.file].Kind) {
		return nil
	}
	at := p.toFrame.T
	return &at
}

// front is the side of a mount's face that a scan saw: that of the scanner where
// its place is known, else the axis as it stands.
func (b *Built) front(p placed, m *mount.Result) geom.Vec {
	if eye := b.eye(p); eye != nil && eye.Sub(m.Center).Dot(m.Axis) < 0 {
		return m.Axis.Scale(-1)
	}
	return m.Axis
}

func nearby(c *scan.Cloud, toFrame geom.Pose, center geom.Vec, radius float64) []geom.Vec {
	home := toFrame.Inverse().Apply(center)
	var out []geom.Vec
	for i := range c.Len() {
		if p := c.At(i); p.Sub(home).Norm2() <= radius*radius {
			out = append(out, toFrame.Apply(p))
		}
	}
	return out
}

// separate takes the joined patches apart. Mounts around which nothing was
// triangulated have none.
func separate(kept stage.Pair[[]span, *scan.Mesh]) []Patch {
	var out []Patch
	taken := map[string]bool{}
	v, c := 0, 0
	for _, s := range kept.Facts {
		m := &scan.Mesh{Origin: kept.Value.Origin, X: kept.Value.X[v:s.Vertices], Y: kept.Value.Y[v:s.Vertices], Z: kept.Value.Z[v:s.Vertices], Tri: make([]int32, s.Corners-c)}
		for i := range m.Tri {
			m.Tri[i] = kept.Value.Tri[c+i] - int32(v)
		}
		if len(m.Tri) > 0 {
			out = append(out, Patch{Mount: s.Mount, File: mount.PatchFile(s.Mount, taken), Mesh: m})
		}
		v, c = s.Vertices, s.Corners
	}
	return out
}
