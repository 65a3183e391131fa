package pipeline

import (
	"context"
	"errors"

	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/normal"
	"trammel/pipeline/reduce"
	"trammel/pipeline/scan"
)

// around is the box in which a mount is looked for, in the frame of the deliverables.
func around(m job.Mount) geom.Box { return geom.Box{Min: m.Near, Max: m.Near}.Grow(m.Within) }

// fineCells lists where the sheet wants smaller cells, in the frame of the deliverables,
// and half ones around all mounts.
func (b *Built) fineCells() []fuse.Fine {
	out := b.askedFine()
	if b.Job.Mesh.Adapt && b.framed() {
		for _, m := range b.Job.Mounts {
			out = append(out, fuse.Fine{Box: around(m), Voxel: b.Job.Mesh.Voxel / 2})
		}
	}
	return out
}

// askedFine lists what the sheet itself names.
func (b *Built) askedFine() []fuse.Fine {
	var out []fuse.Fine
	if !b.framed() {
		return nil
	}
	for _, f := range b.Job.Mesh.Fine {
		if f.Box != nil {
			out = append(out, fuse.Fine{Box: *f.Box, Voxel: f.Voxel})
		}
		for _, m := range b.Job.Mounts {
			if m.Name == f.Mount {
				out = append(out, fuse.Fine{Box: around(m), Voxel: f.Voxel})
			}
		}
	}
	return out
}

// followed says which scans have smaller cells where they are dense enough: tracked ones
// whose measured spacing is at most half a cell.
func (b *Built) followed(list []placed) []bool {
	out := make([]bool, len(list))
	for i, p := range list {
		f := &b.Files[p.file]
		out[i] = b.Job.Mesh.Adapt && f.Kind == job.Tracked && f.Survey.Spacing > 0 && f.Survey.Spacing <= b.Job.Mesh.Voxel/2
	}
	return out
}

// finer lists where the reduced mesh must be more exact than elsewhere: around mounts, and
// where the sheet names smaller cells, whose errors fall with the square of their size.
func (b *Built) finer() []reduce.Region {
	var out []reduce.Region
	if !b.framed() {
		return nil
	}
	for _, box := range b.nearMounts() {
		out = append(out, reduce.Region{Box: box, Factor: finerAtMounts})
	}
	for _, f := range b.askedFine() {
		times := b.Job.Mesh.Voxel / f.Voxel
		out = append(out, reduce.Region{Box: f.Box, Factor: times * times})
	}
	return out
}

// finerView thins those points of a set-up that isNear picks for smaller cells.
func finerView(ctx context.Context, c *scan.Cloud, whole normal.View, toFrame geom.Pose, noise, voxel float64, isNear func(p geom.Vec) bool) (fuse.View, error) {
	part := c
	if whole.Kind == normal.Station { // where a parallel view looks along takes all of it to tell
		part = &scan.Cloud{Origin: c.Origin}
		for i := range c.X {
			if isNear(toFrame.Apply(c.At(i))) {
				part.X, part.Y, part.Z = append(part.X, c.X[i]), append(part.Y, c.Y[i]), append(part.Z, c.Z[i])
			}
		}
	}
	thin, v, err := normal.Thin(ctx, part, normal.Options{Kind: whole.Kind}, voxel)
	if errors.Is(err, normal.ErrFew) {
		return fuse.View{Cloud: &scan.Cloud{}}, nil
	}
	if err != nil {
		return fuse.View{}, err
	}
	v.Spacing = whole.Spacing // the scanner's, whatever part of its picture this is
	return cloudView(thin, v, toFrame, noise, voxel), nil
}
