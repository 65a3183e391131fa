package pipeline

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/normal"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
	"trammel/pipeline/surface"
)

const (
	thinVersion  = 6
	placeVersion = 6
	// leastOverlap is the share of a tracked scan that must meet the set-ups. Below
	// a third, a wrong place can look as good as the right one.
	leastOverlap = 0.3
)

// grain is the cell that clouds are thinned to for placing and comparing: the
// fusion cell, since finer shape does not enter the mesh.
func (b *Built) grain() float64 { return b.Job.Mesh.Voxel }

// fineGrain is that of tracked scans, which see edges and flanges of a few
// millimetres: averaging across those would tilt them.
func (b *Built) fineGrain() float64 { return b.Job.Mesh.Voxel / 4 }

func (b *Built) thinCell(file int) float64 {
	if b.Files[file].Kind == job.Tracked {
		return b.fineGrain()
	}
	return b.grain()
}

// thinned is a scan as one averaged point a cell, with normals, in its own frame.
type thinned struct {
	*scan.Cloud
	Sight surface.Sight // from where it was seen
}

// thin returns a scan as one averaged point a cell, with normals, in its own
// frame.
func (r *run) thin(ctx context.Context, b *Built, file int) (thinned, error) {
	key, err := b.key(placed{file: file, toFrame: geom.IdentityPose()})
	if err != nil {
		return thinned{}, err
	}
	if key, err = stage.KeyOf("thin", thinVersion, []float64{b.thinCell(file), float64(b.seenFrom(file))}, key); err != nil {
		return thinned{}, err
	}
	found, err := stage.Run(r.store, "thin", b.Files[file].Path, key, stage.With[surface.Sight](stage.Cloud()), func() (stage.Pair[surface.Sight, *scan.Cloud], error) {
		c, view, err := b.withNormals(ctx, file)
		if errors.Is(err, normal.ErrFew) {
			return stage.Pair[surface.Sight, *scan.Cloud]{Value: &scan.Cloud{}}, nil
		}
		if err != nil {
			return stage.Pair[surface.Sight, *scan.Cloud]{}, err
		}
		return stage.Pair[surface.Sight, *scan.Cloud]{Facts: sightOf(view), Value: surface.Thin(withoutEdges(c, view), b.thinCell(file))}, nil
	})
	return thinned{found.Value, found.Facts}, err
}

// sightOf says from where a view was seen; a tracked scan is seen from everywhere.
func sightOf(v normal.View) surface.Sight {
	switch v.Kind {
	case normal.Station:
		return surface.Sight{Known: true, Vec: v.Position}
	case normal.Parallel:
		return surface.Sight{Known: true, Parallel: true, Vec: v.Direction}
	default:
		return surface.Sight{}
	}
}

// withoutEdges drops the points at depth edges, where pixels mix two surfaces, and
// those seen too flat.
func withoutEdges(c *scan.Cloud, v normal.View) *scan.Cloud {
	if v.Edges == 0 {
		return c
	}
	return selected(c, func(i int) bool { return !v.Edge[i] && v.Cos[i] >= leastCos })
}

// selected returns the points of c that take takes, with their normals.
func selected(c *scan.Cloud, take func(i int) bool) *scan.Cloud {
	out := &scan.Cloud{Origin: c.Origin}
	for i := range c.X {
		if take(i) {
			out.X, out.Y, out.Z = append(out.X, c.X[i]), append(out.Y, c.Y[i]), append(out.Z, c.Z[i])
			out.NX, out.NY, out.NZ = append(out.NX, c.NX[i]), append(out.NY, c.NY[i]), append(out.NZ, c.NZ[i])
		}
	}
	return out
}

// place ties the tracked scans to the network by the shape they share with the
// set-ups. All files of one tracked instrument share a frame, so they are placed
// together.
func (r *run) place(ctx context.Context, b *Built) error {
	for i, ins := range b.Job.Instruments {
		if ins.Kind != job.Tracked {
			continue
		}
		var files []int
		b.used(func(x job.Instrument) bool { return x.Name == ins.Name }, func(f int) { files = append(files, f) })
		if len(files) == 0 {
			continue
		}
		if err := r.placeInstrument(ctx, b, i, files); err != nil {
			return err
		}
	}
	return nil
}

func (r *run) placeInstrument(ctx context.Context, b *Built, instrument int, files []int) error {
	if b.Job.Instruments[instrument].Register == job.Given {
		for _, f := range files {
			b.Tracked = append(b.Tracked, Tracked{File: f, ToNetwork: geom.IdentityPose(), Linked: true})
		}
		return nil
	}
	fits, why, err := r.align(ctx, b, files)
	if err != nil {
		return err
	}
	for _, f := range files {
		b.Tracked = append(b.Tracked, Tracked{File: f, ToNetwork: fits.SourceToTarget, Fit: fits, Linked: why == ""})
		if why != "" {
			b.unlink(f, why)
		}
	}
	if why == "" && len(fits.Loose) > 0 {
		b.Findings = append(b.Findings, job.Finding{Code: job.LayoutWeak, Severity: job.Warn, Subject: b.Files[files[0]].Path,
			Text: fmt.Sprintf("The shape that %s shares with the set-ups does not hold %s. To do: extend the hand scan to a surface that faces another way.",
				job.Printable(b.Files[files[0]].Path), strings.Join(fits.Loose, " and "))})
	}
	return nil
}

// align places tracked files on the set-ups. why is empty when they are held.
func (r *run) align(ctx context.Context, b *Built, files []int) (best surface.Result, why string, err error) {
	best.SourceToTarget = geom.IdentityPose()
	stations := b.placedStations()
	if len(stations) == 0 {
		return best, "no set-up is tied that it could be placed on. To do: settle the findings of the set-ups first", nil
	}
	var source []placed
	for _, f := range files {
		source = append(source, placed{file: f, toFrame: geom.IdentityPose()})
	}
	keys, err := b.keysOf(append(source, stations...))
	if err != nil {
		return best, "", err
	}
	key, err := stage.KeyOf("place", placeVersion, []float64{b.grain()}, keys...)
	if err != nil {
		return best, "", err
	}
	found, err := stage.Run(r.store, "place", b.Files[files[0]].Path, key, stage.JSON[handPlace](), func() (handPlace, error) {
		return r.alignNow(ctx, b, source, stations)
	})
	return found.Result, found.Why, err
}

// handPlace is where tracked scans lie on the set-ups.
type handPlace struct {
	surface.Result
	Why string // they cannot be placed; empty when they are held
}

// alignNow tries the places that a roughly placed scan may be meant for, the datum's
// frame and the network's, and looks everywhere when it lies in neither.
func (r *run) alignNow(ctx context.Context, b *Built, source, stations []placed) (best handPlace, err error) {
	moving, err := r.merged(ctx, b, source)
	if err != nil {
		return best, err
	}
	target, err := r.merged(ctx, b, stations)
	if err != nil {
		return best, err
	}
	toNetwork := b.ToFrame.Inverse()
	target = target.Moved(toNetwork)
	best.SourceToTarget = geom.IdentityPose()
	for _, guess := range []geom.Pose{toNetwork, geom.IdentityPose()} {
		found, err := surface.Align(ctx, moving, target, guess, surface.Options{Grain: b.grain()})
		if errors.Is(err, surface.ErrNoOverlap) {
			continue
		}
		if err != nil {
			return best, err
		}
		if found.Overlap > best.Overlap {
			best.Result = found
		}
	}
	if best.Pairs == 0 || best.Overlap < leastOverlap {
		if best, err = locateHand(ctx, moving, target, best, b.grain()); err != nil || best.Why != "" {
			return best, err
		}
	}
	best.Result, err = r.refine(ctx, b, best.Result, moving, target)
	return best, err
}

// locateHand looks for a place without a first guess.
func locateHand(ctx context.Context, moving, target *scan.Cloud, asItLies handPlace, grain float64) (handPlace, error) {
	found, err := surface.Locate(ctx, moving, target, surface.LocateOptions{Grain: grain})
	if err != nil && !errors.Is(err, surface.ErrNoOverlap) {
		return asItLies, err
	}
	if why := doubtsInWords(found); why != "" {
		asItLies.Why = fmt.Sprintf("where it lies now, %.0f %% of its surface meets the set-ups within reach, %.0f %% are needed, and no other place is sure: %s. To do: scan more of what the set-ups see too, or place it roughly (within 100 mm and 2 degrees) in the datum's axes and export it again",
			100*asItLies.Overlap, 100*leastOverlap, why)
		return asItLies, nil
	}
	return handPlace{Result: found[0].Result}, nil
}

// refine turns the roles round for the last steps: the set-ups' points, whose
// noise is large, meet the planes of the tracked scan, whose noise is small. Planes
// fitted to noisy points would lean towards them.
func (r *run) refine(ctx context.Context, b *Built, rough surface.Result, moving, target *scan.Cloud) (surface.Result, error) {
	toMoving := rough.SourceToTarget.Inverse()
	near := moving.Bounds().Grow(3 * b.grain())
	part := selected(target, func(i int) bool { return near.Contains(toMoving.Apply(target.At(i))) })
	fine, err := surface.Align(ctx, part, moving, toMoving, surface.Options{Reach: 3 * b.grain(), Grain: b.fineGrain()})
	if errors.Is(err, surface.ErrNoOverlap) {
		return rough, nil
	}
	if err != nil {
		return rough, err
	}
	fine = fine.Inverse()
	fine.Overlap = rough.Overlap
	return fine, nil
}

// merged joins thinned scans in the frame of the deliverables.
func (r *run) merged(ctx context.Context, b *Built, list []placed) (*scan.Cloud, error) {
	parts := make([]*scan.Cloud, len(list))
	for i, p := range list {
		c, err := r.thin(ctx, b, p.file)
		if err != nil {
			return nil, err
		}
		parts[i] = c.Moved(p.toFrame)
	}
	return scan.Join(parts), nil
}
