package pipeline

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"sync"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/par"
	"trammel/pipeline/posegraph"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
	"trammel/pipeline/surface"
)

const (
	locateVersion = 3
	pairVersion   = 2
)

func bySurface(i job.Instrument) bool { return i.Kind == job.Station && i.Register == job.BySurface }

// tieBySurface places the set-ups that are to be tied by the shape that they share, and
// those that show too few spheres to be tied by them: each roughly, on what is placed
// already; then every pair that overlaps by itself; then all of them together with what
// spheres and given poses hold.
func (r *run) tieBySurface(ctx context.Context, c *Checked) error {
	t := &tying{run: r, built: &Built{Checked: *c}, checked: c, tried: map[stage.Key][]surface.Placement{}}
	for _, s := range c.Stations {
		if s.Linked {
			t.bodies = append(t.bodies, body{file: s.File, toNetwork: s.ToNetwork, placed: true, known: true, solved: s.Solved})
		}
	}
	known := len(t.bodies)
	c.used(bySurface, func(i int) { t.bodies = append(t.bodies, body{file: i, toNetwork: geom.IdentityPose(), solved: -1}) })
	for _, i := range c.showFew() {
		t.bodies = append(t.bodies, body{file: i, toNetwork: geom.IdentityPose(), solved: -1, few: true})
	}
	if len(t.bodies) == known {
		return nil
	}
	if err := t.load(ctx); err != nil {
		return err
	}
	if err := t.listPoses(); err != nil {
		return err
	}
	if err := t.layOut(ctx, known > 0); err != nil {
		return err
	}
	if err := t.tiePairs(ctx); err != nil {
		return err
	}
	if err := t.adjust(); err != nil {
		return err
	}
	c.meetSpheres()
	return nil
}

// body is a set-up on its way to a place.
type body struct {
	file      int
	toNetwork geom.Pose
	placed    bool
	known     bool // by spheres, or given
	solved    int  // index into Network.Stations; -1 for others
	few       bool // tied by its surface only since it shows too few spheres
	cloud     thinned
	why       string // it could not be placed
}

type tying struct {
	run     *run
	built   *Built
	checked *Checked
	bodies  []body
	ties    []posegraph.Tie
	fits    []surface.Result // of the ties
	tried   map[stage.Key][]surface.Placement
	points  []int // of the graph's known points, the index into Network.Spheres
	sights  []posegraph.Sight

	listed   map[string]geom.Pose                // the poses of poses.csv, by file
	prepared []func() (*surface.Prepared, error) // of each body, once for all its pairs
}

func (t *tying) load(ctx context.Context) error {
	for i := range t.bodies {
		b := &t.bodies[i]
		t.run.progress("reading surfaces", t.built.Files[b.file].Path, i, len(t.bodies))
		var err error
		if b.cloud, err = t.run.thin(ctx, t.built, b.file); err != nil {
			return err
		}
	}
	return nil
}

// layOut places bodies one after the other on those that have a place. Where nothing
// has one, the first set-up that others can be placed on is the frame; of several parts
// that nothing joins, the largest counts.
func (t *tying) layOut(ctx context.Context, hasFrame bool) error {
	if hasFrame {
		return t.grow(ctx)
	}
	best := make([]body, len(t.bodies))
	copy(best, t.bodies)
	most := 0
	for root := range t.bodies {
		if t.bodies[root].placed || len(t.bodies)-root <= most {
			continue // is part of another one, or can no longer be larger
		}
		done := make([]bool, len(t.bodies)) // parts found before stay out of this one
		for i := range t.bodies {
			done[i], t.bodies[i].placed = t.bodies[i].placed, false
		}
		t.bodies[root].placed = true
		if err := t.growAround(ctx, done); err != nil {
			return err
		}
		n := 0
		for i := range t.bodies {
			if t.bodies[i].placed {
				n++
			}
		}
		if n > most {
			most = n
			copy(best, t.bodies)
		}
		for i := range t.bodies {
			t.bodies[i].placed = t.bodies[i].placed || done[i]
		}
	}
	t.bodies = best
	if most == 1 { // a single set-up is its own frame only where it is the only one
		for i := range t.bodies {
			t.bodies[i].placed = len(t.bodies) == 1
		}
	}
	return nil
}

func (t *tying) grow(ctx context.Context) error {
	return t.growAround(ctx, make([]bool, len(t.bodies)))
}

// growAround tries the bodies without a place, but for those to be left out, until a
// round has placed none.
func (t *tying) growAround(ctx context.Context, leaveOut []bool) error {
	for again := true; again; {
		again = false
		for i := range t.bodies {
			b := &t.bodies[i]
			if b.placed || leaveOut[i] {
				continue
			}
			t.run.progress("placing by surface", t.built.Files[b.file].Path, i, len(t.bodies))
			if err := t.placeOne(ctx, b); err != nil {
				return err
			}
			again = again || b.placed
		}
	}
	return nil
}

// placeOne looks for a body's place on all bodies that have one, and where that is not
// sure on each of them alone: little of a large surface may be much of a small one.
func (t *tying) placeOne(ctx context.Context, b *body) error {
	var all []int
	for i := range t.bodies {
		if t.bodies[i].placed && t.bodies[i].cloud.Len() > 0 {
			all = append(all, i)
		}
	}
	found, err := t.locate(ctx, b, all)
	if err != nil {
		return err
	}
	b.why = doubtsInWords(found)
	// Set-ups follow each other around an object: those next in the list share most.
	slices.SortStableFunc(all, func(i, j int) int { return cmp.Compare(t.steps(b, i), t.steps(b, j)) })
	for k := 0; b.why != "" && len(all) > 1 && k < len(all); k++ {
		alone, err := t.locate(ctx, b, all[k:k+1])
		if err != nil {
			return err
		}
		if doubtsInWords(alone) == "" {
			found, b.why = alone, ""
		}
	}
	if b.why == "" {
		b.toNetwork, b.placed = found[0].SourceToTarget, true
	}
	return nil
}

// steps is how far apart in the list of files a body and another one stand.
func (t *tying) steps(b *body, other int) int {
	d := b.file - t.bodies[other].file
	return max(d, -d)
}

// locate looks for a body's place on some that have one.
func (t *tying) locate(ctx context.Context, b *body, on []int) ([]surface.Placement, error) {
	own, err := t.built.key(placed{file: b.file, toFrame: geom.IdentityPose()})
	if err != nil {
		return nil, err
	}
	keys := []stage.Key{own}
	var parts []*scan.Cloud
	var sight surface.Sight
	for _, i := range on {
		o := &t.bodies[i]
		key, err := t.built.key(placed{file: o.file, toFrame: o.toNetwork})
		if err != nil {
			return nil, err
		}
		keys, parts, sight = append(keys, key), append(parts, o.cloud.Moved(o.toNetwork)), o.cloud.Sight.Moved(o.toNetwork)
	}
	if len(parts) != 1 {
		sight = surface.Sight{}
	}
	if len(parts) == 0 || b.cloud.Len() == 0 {
		return nil, nil
	}
	guess := t.guess(b, on)
	var params any = t.built.grain()
	if len(guess) > 0 {
		params = struct {
			Grain   float64
			Guesses []geom.Pose
		}{t.built.grain(), guess}
	}
	key, err := stage.KeyOf("locate", locateVersion, params, keys...)
	if err != nil {
		return nil, err
	}
	if found, ok := t.tried[key]; ok { // in an earlier round
		return found, nil
	}
	t.tried[key], err = stage.Run(t.run.store, "locate", t.built.Files[b.file].Path, key, stage.JSON[[]surface.Placement](), func() ([]surface.Placement, error) {
		found, err := surface.Locate(ctx, b.cloud.Cloud, scan.Join(parts), surface.LocateOptions{Grain: t.built.grain(), SourceSight: b.cloud.Sight, TargetSight: sight, Guesses: guess})
		if errors.Is(err, surface.ErrNoOverlap) {
			return []surface.Placement{}, nil
		}
		return found, err
	})
	return t.tried[key], err
}

// doubtsInWords says why the best placement must not be trusted, or nothing.
func doubtsInWords(found []surface.Placement) string {
	if len(found) == 0 {
		return "no place was found where its surface meets the others"
	}
	var words []string
	for _, d := range found[0].Doubts {
		words = append(words, strings.TrimSuffix(d.Text, "."))
	}
	return strings.Join(words, "; ")
}

const (
	// leastShared is the share of a set-up's surface that must meet another's for the
	// pair to tie them: less is a corner, whose pose hangs on few faces.
	leastShared = 0.1
	// pairReach is how far a rough place may be off, in cells of the thinned surface.
	pairReach = 8
)

// tiePairs aligns every pair of placed bodies that may overlap, but for those that
// are known already.
func (t *tying) tiePairs(ctx context.Context) error {
	type pair struct{ a, b int }
	var pairs []pair
	reach := pairReach * t.built.grain()
	boxes := make([]geom.Box, len(t.bodies))
	for i := range t.bodies {
		if o := &t.bodies[i]; o.placed && o.cloud.Len() > 0 {
			boxes[i] = o.cloud.Moved(o.toNetwork).Bounds().Grow(reach)
			for j := range i {
				if p := &t.bodies[j]; p.placed && p.cloud.Len() > 0 && (!o.known || !p.known) && meets(boxes[i], boxes[j]) {
					pairs = append(pairs, pair{j, i})
				}
			}
		}
	}
	fits := make([]surface.Result, len(pairs))
	t.prepared = make([]func() (*surface.Prepared, error), len(t.bodies))
	for i := range t.bodies {
		t.prepared[i] = sync.OnceValues(func() (*surface.Prepared, error) {
			return surface.Prepare(ctx, t.bodies[i].cloud.Cloud, surface.Options{Reach: pairReach * t.built.grain(), Grain: t.built.grain()})
		})
	}
	err := par.Each(ctx, len(pairs), func(k int) (err error) {
		fits[k], err = t.pair(ctx, pairs[k].a, pairs[k].b)
		return err
	})
	for k, f := range fits {
		if f.Pairs == 0 || f.Overlap < leastShared || !f.Converged {
			continue
		}
		a, b := pairs[k].a, pairs[k].b
		t.ties = append(t.ties, posegraph.Tie{A: a, B: b, BToA: f.SourceToTarget, Cov: withFloor(f, t.bodies[b].cloud.Bounds()), Center: f.Center, Score: f.Overlap})
		t.fits = append(t.fits, f)
	}
	return err
}

// meets reports whether two boxes share some space.
func meets(a, b geom.Box) bool {
	return a.Min.X <= b.Max.X && b.Min.X <= a.Max.X && a.Min.Y <= b.Max.Y && b.Min.Y <= a.Max.Y && a.Min.Z <= b.Max.Z && b.Min.Z <= a.Max.Z
}

// systematic is what a pair may be off by beside the noise of its points, as a share
// of their rms distance: flat incidence and edges put surfaces off by that much, the same
// way over whole faces. Pairs of simulated set-ups were up to a half of it off.
const systematic = 0.25

// withFloor adds to a tie what no statistics of points shows: a shift, and a turn that
// does as much at a quarter of the scan's size.
func withFloor(f surface.Result, own geom.Box) fit.Mat6 {
	cov := f.Cov
	addFloor(&cov, tieFloor(f), own)
	return cov
}

// tieFloor is what a tie may be off by beside the noise of its points, mm; small things on
// a bench stand firmer than a tripod.
func tieFloor(f surface.Result) float64 {
	return math.Hypot(min(stable, f.RMS), systematic*f.RMS)
}

// addFloor adds a shift in mm, and a turn that does as much at a quarter of a scan's size.
func addFloor(cov *fit.Mat6, shift float64, own geom.Box) {
	turn := shift / max(own.Size().Norm()/4, 1)
	for i := range 3 {
		cov[7*i] += turn * turn
		cov[7*(i+3)] += shift * shift
	}
}

// pair aligns b on a, from where the two are placed.
func (t *tying) pair(ctx context.Context, atA, atB int) (surface.Result, error) {
	a, b := &t.bodies[atA], &t.bodies[atB]
	guess := a.toNetwork.Inverse().After(b.toNetwork)
	var keys []stage.Key
	for _, p := range []placed{{file: a.file, toFrame: geom.IdentityPose()}, {file: b.file, toFrame: guess}} {
		key, err := t.built.key(p)
		if err != nil {
			return surface.Result{}, err
		}
		keys = append(keys, key)
	}
	key, err := stage.KeyOf("pair", pairVersion, t.built.grain(), keys...)
	if err != nil {
		return surface.Result{}, err
	}
	return stage.Run(t.run.store, "pair", t.built.Files[b.file].Path, key, stage.JSON[surface.Result](), func() (surface.Result, error) {
		source, err := t.prepared[atB]()
		if err != nil {
			return surface.Result{}, err
		}
		target, err := t.prepared[atA]()
		if err != nil {
			return surface.Result{}, err
		}
		r, err := source.AlignOn(ctx, target, guess)
		if errors.Is(err, surface.ErrNoOverlap) {
			return surface.Result{}, nil
		}
		return r, err
	})
}
