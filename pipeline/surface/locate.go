package surface

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
	"trammel/pipeline/surface/feature"
)

// LocateOptions steers Locate; the zero value takes everything from the clouds.
type LocateOptions struct {
	Grain       float64 // finest cell of the last refinement, mm; default from the spacing of the points
	SourceSight Sight   // from where the source was seen, if from one place
	TargetSight Sight   // the same of the target
	// Guesses are placements that something else speaks for, such as poses that the files
	// bring. One of them is taken where nothing speaks against it; otherwise it is one
	// proposal among all others.
	Guesses []geom.Pose
}

// Placement is one way in which the source fits the target.
type Placement struct {
	Result
	Evidence
	Size Size // of the source against the target; only for the best placement
	// Score, 0 to 1, ranks placements of one pair and pairs among each other: the share
	// of the smaller surface that meets, less what contradicts, times the share of the six
	// motions that are held. Planes meet by chance wherever they are slid to.
	Score  float64
	Doubts []Doubt // why the placement must not be trusted; of the first placement, empty means confident
}

// Confident says that nothing speaks against the placement.
func (p *Placement) Confident() bool { return len(p.Doubts) == 0 }

// held is the share of the six motions that the shape holds.
func (p *Placement) held() float64 { return 1 - float64(min(len(p.Loose), 6))/6 }

// Locate places source on target without any first guess, and returns the
// different placements that fit, the best first. The first one carries the doubts about
// the answer as a whole: a second that fits nearly as well, too little overlap, sliding,
// contradiction. Both clouds need normals. It returns ErrNoOverlap when nothing fits.
//
// Placements are proposed by places that look alike (feature.Match, feature.Agree) at
// two sizes of neighbourhood, and by pairs of points on shapes that have no such
// places (feature.Vote). Each is refined by Align and then judged by the whole of both
// surfaces: what meets within the noise, and what contradicts (Evidence). All
// thresholds follow from the spacing, the noise and the extent of the two clouds; the
// same clouds give the same bytes, for no random number is drawn.
//
// What fits without contradiction is all that two scans can say. Congruent parts of an
// object, of which each scan shows another one, are taken for the same, and scans that
// share next to nothing may fit better elsewhere; the other scans of a set tell them apart.
func Locate(ctx context.Context, source, target *scan.Cloud, o LocateOptions) ([]Placement, error) {
	l, err := newLocator(ctx, source, target, o)
	if err != nil {
		return nil, err
	}
	guessed := l.inward(o.Guesses)
	if len(guessed) > 0 {
		found, err := l.lead(ctx, guessed)
		if err != nil || len(found) > 0 && found[0].Confident() {
			return found, err
		}
	}
	motions, err := l.propose(ctx)
	if err != nil {
		return nil, err
	}
	found, err := l.lead(ctx, append(guessed, motions...))
	if err == nil && len(found) == 0 {
		return nil, fmt.Errorf("none of %d proposed placements lets the surfaces meet: %w", len(motions), ErrNoOverlap)
	}
	return found, err
}

// lead follows proposals to where they lead, and judges the answer.
func (l *locator) lead(ctx context.Context, motions []feature.Motion) ([]Placement, error) {
	rough, err := l.screen(ctx, motions, screened)
	if err != nil {
		return nil, err
	}
	found, err := l.settle(ctx, rough)
	if err != nil {
		return nil, err
	}
	if found, err = l.turnAround(ctx, found); err != nil {
		return nil, err
	}
	if found, err = l.finish(ctx, found); err != nil {
		return nil, err
	}
	if len(found) == 0 {
		return nil, nil
	}
	found[0].Beside = l.fine.besidePlanes(found[0].SourceToTarget)
	found[0].Doubts = l.judge(found)
	for i := range found {
		found[i].Result = l.outward(found[i].Result)
	}
	return found, nil
}

// Numbers of placements kept from step to step. They bound the work. In simulated
// pairs, the right placement was among the first eight of the screened ones wherever
// it was proposed at all.
const (
	agreeMotions = 60   // of each size of neighbourhood
	voteMotions  = 60   // of the point pairs
	screened     = 12   // refined coarsely
	turned       = 4    // refined coarsely, of those turned by quarters
	finished     = 6    // refined finely
	keyPlaces    = 1200 // most distinct places of the source that are matched; half of all where that is fewer
	likePlaces   = 3    // most similar places of the target that each is paired with
)

// small and large are the radii of the two neighbourhoods, in cells: some 50 and
// 200 neighbours.
const (
	smallRadius = 4
	largeRadius = 8
)

// propose returns motions by features of two sizes and by point pairs.
func (l *locator) propose(ctx context.Context) ([]feature.Motion, error) {
	s, t := l.source.coarse, l.target.coarse
	si, ti := feature.NewIndex(s.At, 2*l.cell), feature.NewIndex(t.At, 2*l.cell)
	var all []feature.Motion
	for _, radius := range []float64{smallRadius, largeRadius} {
		from, err := feature.Describe(ctx, s, si, radius*l.cell)
		if err != nil {
			return nil, err
		}
		to, err := feature.Describe(ctx, t, ti, radius*l.cell)
		if err != nil {
			return nil, err
		}
		pairs, err := feature.Match(ctx, from, to, feature.Distinct(from, min(keyPlaces, len(from)/2)), likePlaces)
		if err != nil {
			return nil, err
		}
		motions, err := feature.Agree(ctx, s, t, pairs, l.cell, agreeMotions)
		if err != nil {
			return nil, err
		}
		all = append(all, motions...)
	}
	voted, err := feature.Vote(ctx, l.source.sparse, l.target.sparse, voteMotions)
	return append(all, voted...), err
}

// screen nudges the motions towards the surface and keeps those under which most of the
// coarse clouds meet, different ones only.
func (l *locator) screen(ctx context.Context, motions []feature.Motion, most int) ([]Placement, error) {
	found := make([]Placement, len(motions))
	err := par.Each(ctx, len(motions), func(i int) error {
		p := &found[i]
		p.SourceToTarget = l.nudge(motions[i].Pose)
		p.Evidence = l.coarse.examine(p.SourceToTarget)
		p.Score = p.score()
		return nil
	})
	return l.different(found, 2*l.cell, most), err
}

// settle refines the placements with the coarse clouds and keeps the different ones.
func (l *locator) settle(ctx context.Context, rough []Placement) ([]Placement, error) {
	found := make([]Placement, len(rough))
	if l.coarsely == nil {
		var err error
		if l.coarsely, err = l.prepare(ctx, l.source.coarseCloud, l.target.coarseCloud, l.cell); err != nil {
			return nil, err
		}
	}
	err := par.Each(ctx, len(rough), func(i int) error {
		p, err := l.coarsely.refine(ctx, rough[i].SourceToTarget)
		if err != nil || p.Pairs == 0 {
			return err
		}
		p.Evidence = l.coarse.examine(p.SourceToTarget)
		p.Score = p.score() * p.held()
		found[i] = p
		return nil
	})
	return l.different(found, l.cell, finished), err
}

// turnAround adds to the placements those that the best one leads to when either
// cloud is turned by quarters about its principal axes. Objects that are made to a
// drawing are alike when turned so, and a search by places that look alike may
// have met one of the answers only: the others must be tried before it is believed.
func (l *locator) turnAround(ctx context.Context, found []Placement) ([]Placement, error) {
	if len(found) == 0 {
		return nil, nil
	}
	best := found[0].SourceToTarget
	var motions []feature.Motion
	for _, turn := range quarters(l.source.coarse) {
		motions = append(motions, feature.Motion{Pose: best.After(turn)})
	}
	for _, turn := range quarters(l.target.coarse) {
		motions = append(motions, feature.Motion{Pose: turn.After(best)})
	}
	rough, err := l.screen(ctx, motions, turned)
	if err != nil {
		return nil, err
	}
	more, err := l.settle(ctx, rough)
	return l.different(append(found, more...), l.cell, finished), err
}

// quarters returns the nine turns by quarters about the principal axes through the
// middle of the points.
func quarters(p feature.Points) []geom.Pose {
	mid := center(p)
	var spread geom.Mat
	for _, q := range p.At {
		spread = spread.Add(geom.Outer(q.Sub(mid), q.Sub(mid)))
	}
	_, axes := geom.Eigen(spread)
	var out []geom.Pose
	for axis := range 3 {
		for quarter := 1; quarter <= 3; quarter++ {
			r := geom.RotVec(axes.Col(axis).Scale(float64(quarter) * math.Pi / 2))
			out = append(out, geom.Pose{R: r, T: mid.Sub(r.MulVec(mid))})
		}
	}
	return out
}

// finish refines what may still come first, judges it by the fine clouds, and
// refines the best as finely as they allow.
func (l *locator) finish(ctx context.Context, rough []Placement) ([]Placement, error) {
	rough = slices.DeleteFunc(rough, func(p Placement) bool { return p.score() < hopeless*rough[0].score() })
	found := make([]Placement, len(rough))
	middling, err := l.prepare(ctx, l.source.fineCloud, l.target.fineCloud, math.Max(l.grain, l.cell/2))
	if err != nil {
		return nil, err
	}
	err = par.Each(ctx, len(rough), func(i int) error {
		var err error
		found[i], err = l.finely(ctx, rough[i], middling)
		return err
	})
	found = l.different(found, l.cell, finished)
	if err != nil || len(found) == 0 {
		return nil, err
	}
	best := middling
	if l.grain != best.source.o.Grain {
		if best, err = l.prepare(ctx, l.source.fineCloud, l.target.fineCloud, l.grain); err != nil {
			return nil, err
		}
	}
	if found[0], err = l.finely(ctx, found[0], best); err != nil {
		return nil, err
	}
	if found[0].Pairs > 0 {
		if found[0].Size, err = best.source.size(ctx, best.target, found[0].SourceToTarget); err != nil {
			return nil, err
		}
	}
	return l.different(found, l.cell, finished), nil
}

// hopeless is the share of the best coarse score below which a placement can neither be
// the best in the end nor nearly as good.
const hopeless = 0.5

// finely refines and judges by all that is known.
func (l *locator) finely(ctx context.Context, rough Placement, clouds *preparedPair) (Placement, error) {
	p, err := clouds.refine(ctx, rough.SourceToTarget)
	if err != nil || p.Pairs == 0 {
		return Placement{}, err
	}
	p.Evidence = l.fine.examine(p.SourceToTarget)
	p.Blocked = l.blocked(p.SourceToTarget)
	p.Score = p.score() * p.held()
	return p, nil
}

// preparedPair is both clouds, thinned once for any number of placements.
type preparedPair struct{ source, target *Prepared }

func (l *locator) prepare(ctx context.Context, source, target *scan.Cloud, grain float64) (*preparedPair, error) {
	clouds, pair := [2]*scan.Cloud{source, target}, [2]*Prepared{}
	err := par.Each(ctx, 2, func(k int) (err error) {
		pair[k], err = Prepare(ctx, clouds[k], Options{Reach: 3 * grain, Grain: grain})
		return err
	})
	return &preparedPair{pair[0], pair[1]}, err
}

// refine is Align, except that surfaces which do not meet are no error but a
// placement without pairs, which gets no score.
func (p *preparedPair) refine(ctx context.Context, guess geom.Pose) (Placement, error) {
	r, err := p.source.AlignOn(ctx, p.target, guess)
	if errors.Is(err, ErrNoOverlap) {
		return Placement{Result: Result{SourceToTarget: guess}}, nil
	}
	return Placement{Result: r}, err
}

// different keeps the best of placements that are one and the same, at most so many.
func (l *locator) different(found []Placement, reach float64, most int) []Placement {
	found = slices.DeleteFunc(found, func(p Placement) bool { return !(p.Score > 0) })
	slices.SortStableFunc(found, func(a, b Placement) int { return cmp.Compare(b.Score, a.Score) })
	var out []Placement
	for _, p := range found {
		if len(out) < most && !slices.ContainsFunc(out, func(o Placement) bool { return l.isSame(p, o, reach) }) {
			out = append(out, p)
		}
	}
	return out
}

// isSame says that two placements put all of the source within reach of each other.
func (l *locator) isSame(a, b Placement, reach float64) bool {
	return l.apart(a.SourceToTarget, b.SourceToTarget) < reach
}

// apart returns the largest distance between where two poses put the corners of
// the source's box.
func (l *locator) apart(a, b geom.Pose) float64 {
	far := 0.0
	for _, p := range l.source.box.Corners() {
		far = math.Max(far, a.Apply(p).Dist(b.Apply(p)))
	}
	return far
}

// inward turns poses between the clouds' frames into motions between the local ones.
func (l *locator) inward(poses []geom.Pose) []feature.Motion {
	var out []feature.Motion
	for _, p := range poses {
		p.T = p.T.Add(p.R.MulVec(l.source.center)).Sub(l.target.center)
		out = append(out, feature.Motion{Pose: p})
	}
	return out
}

// outward turns a result between the local frames into one between the clouds'.
func (l *locator) outward(r Result) Result {
	pose := r.SourceToTarget
	pose.T = pose.T.Add(l.target.center).Sub(pose.R.MulVec(l.source.center))
	r.SourceToTarget, r.Center = pose, r.Center.Add(l.target.center)
	return r
}
