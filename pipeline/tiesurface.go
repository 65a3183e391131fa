package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
	"trammel/pipeline/par"
	"trammel/pipeline/posegraph"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
	"trammel/pipeline/surface"
)

const (
	locateVersion = 2
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
	key, err := stage.KeyOf("locate", locateVersion, t.built.grain(), keys...)
	if err != nil {
		return nil, err
	}
	if found, ok := t.tried[key]; ok { // in an earlier round
		return found, nil
	}
	t.tried[key], err = stage.Run(t.run.store, "locate", t.built.Files[b.file].Path, key, stage.JSON[[]surface.Placement](), func() ([]surface.Placement, error) {
		found, err := surface.Locate(ctx, b.cloud.Cloud, scan.Join(parts), surface.LocateOptions{Grain: t.built.grain(), SourceSight: b.cloud.Sight, TargetSight: sight})
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
	err := par.Each(ctx, len(pairs), func(k int) (err error) {
		fits[k], err = t.pair(ctx, &t.bodies[pairs[k].a], &t.bodies[pairs[k].b])
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
func (t *tying) pair(ctx context.Context, a, b *body) (surface.Result, error) {
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
		r, err := surface.Align(ctx, b.cloud.Cloud, a.cloud.Cloud, guess, surface.Options{Reach: pairReach * t.built.grain(), Grain: t.built.grain()})
		if errors.Is(err, surface.ErrNoOverlap) {
			return surface.Result{}, nil
		}
		return r, err
	})
}

// adjust solves for all places together and says what came of it.
func (t *tying) adjust() error {
	g := posegraph.Graph{Bodies: len(t.bodies), Ties: t.ties, Known: t.known()}
	t.seeSpheres()
	g.Sights = t.sights
	if len(t.bodies) == 1 {
		t.take(0, posegraph.Body{ToCommon: geom.IdentityPose(), Linked: true}, geom.Vec{})
		return nil
	}
	solved, err := posegraph.Solve(g)
	if err != nil {
		return fmt.Errorf("tie set-ups by surface: %w", err)
	}
	toFirst := geom.IdentityPose() // the frame is the first linked body's, as it is with spheres
	if g.Known == nil {
		for _, b := range solved.Bodies {
			if b.Linked {
				toFirst = b.ToCommon.Inverse()
				break
			}
		}
	}
	for i, b := range solved.Bodies {
		if t.bodies[i].known {
			continue
		}
		if !b.Linked && t.bodies[i].why == "" {
			t.bodies[i].why = "its surface meets no other set-up's closely enough"
		}
		if a, ok := solved.Anchor(i); ok { // set-ups tied by spheres stay where they are
			b.ToCommon, b.Cov = a.ToCommon, a.Cov
		}
		b.ToCommon = toFirst.After(b.ToCommon)
		t.take(i, b, toFirst.Apply(solved.Middle))
	}
	for k, x := range solved.Ties {
		if x.Used {
			t.checked.surfaceTies = append(t.checked.surfaceTies, surfaceTie{[2]int{t.bodies[t.ties[k].A].file, t.bodies[t.ties[k].B].file}, t.ties[k], t.fits[k]})
		}
	}
	t.blame(&solved)
	return nil
}

// known gathers what spheres and given poses hold, with the joint covariance of the
// former.
func (t *tying) known() *posegraph.Known {
	k := &posegraph.Known{}
	var solved []int
	for i, b := range t.bodies {
		if b.known {
			k.Bodies, k.Poses, solved = append(k.Bodies, i), append(k.Poses, b.toNetwork), append(solved, b.solved)
		}
	}
	if len(k.Bodies) == 0 {
		return nil
	}
	t.points = fillKnown(k, solved, t.checked.Network, 1)
	return k
}

// take enters a body among the set-ups.
func (t *tying) take(i int, b posegraph.Body, middle geom.Vec) {
	c, x := t.checked, &t.bodies[i]
	const help = ". To do: scan once more so that it shares a third of its surface with another set-up, seen from a similar side, or use reference spheres"
	if !b.Linked {
		if x.few {
			c.blameUnlinked(x.file, "it shows too few spheres, and not enough surface: "+x.why+help)
		} else {
			c.unlink(x.file, x.why+help)
		}
		return
	}
	rms, n := 0.0, 0
	for k, tie := range t.ties {
		if tie.A == i || tie.B == i {
			rms, n = rms+t.fits[k].RMS, n+1
		}
	}
	st := Station{File: x.file, ToNetwork: b.ToCommon, Linked: true, Solved: -1, RMS: rms / float64(max(n, 1)), BySurface: &SurfaceTie{Cov: b.Cov, Center: middle}}
	if k := slices.IndexFunc(c.Stations, func(s Station) bool { return s.File == x.file }); k >= 0 {
		c.Stations[k] = st
		t.sayFew(i, n, &st)
	} else {
		c.Stations = append(c.Stations, st)
	}
	t.judgeHold(i, b, middle)
}

// poorly is the standard uncertainty, in units of the noise, from which on a set-up
// counts as poorly held by its surface: its own points lie closer to each other.
const poorly = 2.0

// judgeHold warns of a set-up that may slide: the largest standard uncertainty that
// its place has in the middle of its own points.
func (t *tying) judgeHold(i int, b posegraph.Body, middle geom.Vec) {
	f := t.bodies[i].file
	at := b.ToCommon.Apply(t.bodies[i].cloud.Bounds().Center())
	values, vectors := geom.Eigen(b.Cov.At(at.Sub(middle)))
	limit := poorly * orElse(t.built.noise(f), usualStationNoise)
	if sigma := math.Sqrt(max(0, values.Z)); sigma > limit {
		u := vectors.Col(2)
		t.checked.Findings = append(t.checked.Findings, job.Finding{Code: job.LayoutWeak, Severity: job.Warn, Subject: t.built.Files[f].Path,
			Text: fmt.Sprintf("The surface that %s shares with other set-ups holds it along (%.2f, %.2f, %.2f) to %.2f mm only (1 sigma), %.2f mm are wanted. To do: scan something that looks that way from both, or use reference spheres.",
				job.Printable(t.built.Files[f].Path), u.X, u.Y, u.Z, sigma, limit)})
	}
}

// blame names the ties that contradict the others, and set-ups that spheres and
// surface put in different places.
func (t *tying) blame(solved *posegraph.Result) {
	path := func(i int) string { return t.built.Files[t.bodies[i].file].Path }
	for k, x := range solved.Ties {
		tie := t.ties[k]
		if x.Used || !solved.Bodies[tie.A].Linked || !solved.Bodies[tie.B].Linked {
			continue
		}
		t.checked.Findings = append(t.checked.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: path(tie.B), Stations: []string{path(tie.A), path(tie.B)},
			Text: contradiction(path(tie.A), path(tie.B), x, solved.Accepted)})
	}
	for _, m := range solved.Moved {
		t.checked.Findings = append(t.checked.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: path(m.Body),
			Text: fmt.Sprintf("Spheres and surface disagree about %s: by its surface it stands (%.2f, %.2f, %.2f) mm from where its spheres put it. To do: check that no sphere was nudged while it was scanned.",
				job.Printable(path(m.Body)), m.By.X, m.By.Y, m.By.Z)})
	}
}

// meetSpheres compares the spheres that set-ups tied by surface show with where the
// network has them: the two ways of tying check each other.
func (c *Checked) meetSpheres() {
	if c.Network == nil {
		return // then all spheres are gathered by the places of their set-ups, see meetGiven
	}
	for _, st := range c.Stations {
		if st.BySurface == nil {
			continue
		}
		f := &c.Files[st.File]
		for _, b := range f.Spheres {
			at := st.ToNetwork.Apply(b.Center)
			i := slices.IndexFunc(c.Network.Spheres, func(s network.SphereResult) bool { return s.Center.Dist(at) < b.Nominal/2 })
			if !b.Usable || i < 0 {
				continue
			}
			s := &c.Network.Spheres[i]
			d := at.Sub(s.Center)
			cov := s.Cov.Add(st.ToNetwork.R.Congruent(b.Cov)).Add(st.BySurface.Cov.At(at.Sub(st.BySurface.Center))).Add(geom.Diag(stable*stable, stable*stable, stable*stable))
			inv, ok := cov.Inv()
			if !ok || d.Dot(inv.MulVec(d)) <= fit.ChiSquareQuantile(spheresAgree, 3) {
				continue
			}
			c.Findings = append(c.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: f.Path, Stations: []string{f.Path},
				Text: fmt.Sprintf("By its surface %s is tied so that it shows sphere %s %.2f mm from where the set-ups tied by spheres have it; %.2f mm (1 sigma in space) are to be expected. To do: see whether that sphere or the object was moved between these set-ups.",
					job.Printable(f.Path), s.ID, d.Norm(), math.Sqrt(cov.Trace()))})
		}
	}
}

// spheresAgree is the probability with which a sound sphere of one set-up is not
// blamed: one in a thousand of them is.
const spheresAgree = 0.999
