package pipeline

import (
	"context"
	"errors"
	"fmt"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/normal"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
	"trammel/pipeline/surface"
)

const (
	thinVersion  = 8
	placeVersion = 8
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

// handPlace is where the files of one tracked instrument roughly lie, and how each
// set-up that they overlap fits them there.
type handPlace struct {
	Rough surface.Result // tracked frame → network
	Why   string         // they cannot be placed; empty when they can
	Ties  []handTie
}

// handTie is the alignment of a set-up's surface on that of a tracked instrument.
type handTie struct {
	File int // the set-up's, an index into Checked.Files
	surface.Result
}

// placeInstrument looks for the place of tracked files, which share one frame, on what
// has one, and ties each set-up to them. asSpheres is where their own spheres put
// them, nil where they do not say.
func (r *run) placeInstrument(ctx context.Context, b *Built, files []int, on []placed, asSpheres *geom.Pose) (handPlace, error) {
	if len(on) == 0 {
		return handPlace{Why: "no set-up is tied that it could be placed on. To do: settle the findings of the set-ups first"}, nil
	}
	var source []placed
	for _, f := range files {
		source = append(source, placed{file: f, toFrame: geom.IdentityPose()})
	}
	keys, err := b.keysOf(append(source, on...))
	if err != nil {
		return handPlace{}, err
	}
	key, err := stage.KeyOf("place", placeVersion, struct {
		Grain   float64
		Spheres *geom.Pose
	}{b.grain(), asSpheres}, keys...)
	if err != nil {
		return handPlace{}, err
	}
	return stage.Run(r.store, "place", b.Files[files[0]].Path, key, stage.JSON[handPlace](), func() (handPlace, error) {
		return r.placeNow(ctx, b, source, on, asSpheres)
	})
}

func (r *run) placeNow(ctx context.Context, b *Built, source, on []placed, asSpheres *geom.Pose) (found handPlace, err error) {
	moving, err := r.merged(ctx, b, source)
	if err != nil {
		return found, err
	}
	clouds := make([]*scan.Cloud, len(on))
	toNetwork := b.ToFrame.Inverse()
	for i, p := range on {
		c, err := r.thin(ctx, b, p.file)
		if err != nil {
			return found, err
		}
		clouds[i] = c.Moved(toNetwork.After(p.toFrame))
	}
	if found, err = b.rough(ctx, moving, scan.Join(clouds), asSpheres); err != nil || found.Why != "" {
		return found, err
	}
	hand, err := surface.Prepare(ctx, moving, b.handOptions())
	if err != nil {
		return found, err
	}
	ties := make([]handTie, len(on))
	err = par.Each(ctx, len(on), func(i int) error {
		guess := found.Rough.SourceToTarget.Inverse()
		other, err := b.nearHand(ctx, clouds[i], moving, guess)
		if err != nil || other == nil {
			return err
		}
		tie, err := other.AlignOn(ctx, hand, guess)
		if errors.Is(err, surface.ErrNoOverlap) {
			return nil
		}
		tie.SourceToTarget = tie.SourceToTarget.After(toNetwork.After(on[i].toFrame)) // from its own frame
		ties[i] = handTie{on[i].file, tie}
		return err
	})
	for _, t := range ties {
		if t.isTie() {
			found.Ties = append(found.Ties, t)
		}
	}
	return found, err
}

// rough tries the places that a roughly placed scan may be meant for, the datum's
// frame and the network's, and where its spheres put it, and looks everywhere when it
// lies in none of them.
func (b *Built) rough(ctx context.Context, moving, target *scan.Cloud, asSpheres *geom.Pose) (found handPlace, err error) {
	found.Rough.SourceToTarget = geom.IdentityPose()
	guesses := []geom.Pose{b.ToFrame.Inverse(), geom.IdentityPose()}
	if asSpheres != nil {
		guesses = append([]geom.Pose{*asSpheres}, guesses...)
	}
	for _, guess := range guesses {
		fits, err := surface.Align(ctx, moving, target, guess, surface.Options{Grain: b.grain()})
		if errors.Is(err, surface.ErrNoOverlap) {
			continue
		}
		if err != nil {
			return found, err
		}
		if fits.Overlap > found.Rough.Overlap {
			found.Rough = fits
		}
	}
	if found.Rough.Pairs > 0 && found.Rough.Overlap >= leastOverlap {
		return found, nil
	}
	if found, err = locateHand(ctx, moving, target, found, b.grain()); found.Why != "" && asSpheres != nil {
		found.Rough, found.Why = surface.Result{SourceToTarget: *asSpheres}, ""
	}
	return found, err
}

// locateHand looks for a place without a first guess.
func locateHand(ctx context.Context, moving, target *scan.Cloud, asItLies handPlace, grain float64) (handPlace, error) {
	found, err := surface.Locate(ctx, moving, target, surface.LocateOptions{Grain: grain})
	if err != nil && !errors.Is(err, surface.ErrNoOverlap) {
		return asItLies, err
	}
	if why := doubtsInWords(found); why != "" {
		asItLies.Why = fmt.Sprintf("where it lies now, %.0f %% of its surface meets the set-ups within reach, %.0f %% are needed, and no other place is sure: %s. To do: scan more of what the set-ups see too, or place it roughly (within 100 mm and 2 degrees) in the datum's axes and export it again",
			100*asItLies.Rough.Overlap, 100*leastOverlap, why)
		return asItLies, nil
	}
	return handPlace{Rough: found[0].Result}, nil
}

// handOptions are those of the ties of a tracked scan, once its rough place is known.
func (b *Built) handOptions() surface.Options {
	return surface.Options{Reach: 3 * b.grain(), Grain: b.fineGrain()}
}

// nearHand prepares what of another scan lies near a tracked one, to be laid on it: nil
// where nothing does. The roles are turned round for the last steps: the other scan's
// points, whose noise is large, meet the planes of the tracked scan, whose noise is
// small. Planes fitted to noisy points would lean towards them.
func (b *Built) nearHand(ctx context.Context, other, hand *scan.Cloud, toHand geom.Pose) (*surface.Prepared, error) {
	near := hand.Bounds().Grow(3 * b.grain())
	part := selected(other, func(i int) bool { return near.Contains(toHand.Apply(other.At(i))) })
	if part.Len() == 0 {
		return nil, nil
	}
	return surface.Prepare(ctx, part, b.handOptions())
}

// leastTiePatches is the number of pieces of surface that a tie must rest on: three
// times its six unknowns, so that their scatter says how good it is.
const leastTiePatches = 18

// isTie reports whether an alignment ties two scans at all: directions that it does not
// hold are the others' to hold.
func (t *handTie) isTie() bool { return t.Converged && t.Patches >= leastTiePatches }

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
