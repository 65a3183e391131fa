package pipeline

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/datum"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
	"trammel/pipeline/par"
	"trammel/pipeline/posegraph"
	"trammel/pipeline/stage"
	"trammel/pipeline/surface"
)

// place ties the tracked scans to the network by the shape that they share with the
// set-ups and with each other, and by the reference spheres that they show: one graph
// of all ties, weighed together with what holds the set-ups. All files of one tracked
// instrument share a frame, so they are placed together. Set-ups keep the places that
// they have.
func (r *run) place(ctx context.Context, b *Built) error {
	h := &holding{run: r, built: b, body: map[int]int{}}
	for i, ins := range b.Job.Instruments {
		if ins.Kind != job.Tracked {
			continue
		}
		x := hand{instrument: i}
		b.used(func(o job.Instrument) bool { return o.Name == ins.Name }, func(f int) { x.files = append(x.files, f) })
		if len(x.files) > 0 {
			x.given, x.Rough.SourceToTarget = ins.Register == job.Given, geom.IdentityPose()
			h.hands = append(h.hands, x)
		}
	}
	if len(h.hands) == 0 {
		return nil
	}
	if err := h.lay(ctx); err != nil {
		return err
	}
	if err := h.settle(ctx); err != nil {
		return err
	}
	h.enter()
	return nil
}

// hand is a tracked instrument on its way to a place.
type hand struct {
	instrument int
	files      []int
	given      bool // its frame is the network's
	handPlace
	body   int
	sights []int // indices into the graph's
	two    *TwoWays
}

func (x *hand) placed() bool { return !x.given && x.Why == "" && x.body > 0 }

// holding is the graph that holds the tracked instruments.
type holding struct {
	run      *run
	built    *Built
	hands    []hand
	graph    posegraph.Graph
	fits     []surface.Result // of the graph's ties
	body     map[int]int      // of each file that has one
	solved   posegraph.Result
	stations int   // bodies that are set-ups, the first ones
	points   []int // of the graph's known points, the index into Network.Spheres
}

// lay finds the rough place of each instrument, on the set-ups and on those that have
// one already, until a round has placed none.
func (h *holding) lay(ctx context.Context) error {
	b := h.built
	h.takeStations()
	h.stations = h.graph.Bodies
	on := b.placedStations()
	for i := range h.hands {
		if x := &h.hands[i]; !x.given {
			x.Why = "nothing"
		}
	}
	for again := true; again; {
		again = false
		for i := range h.hands {
			x := &h.hands[i]
			if x.Why == "" {
				continue
			}
			var err error
			if x.handPlace, err = h.run.placeInstrument(ctx, b, x.files, on, h.bySpheres(x.files)); err != nil {
				return err
			}
			if x.Why != "" {
				continue
			}
			again = true
			x.body = h.graph.Bodies
			h.graph.Bodies++
			for _, f := range x.files {
				h.body[f] = x.body
				on = append(on, placed{file: f, toFrame: b.ToFrame.After(x.Rough.SourceToTarget), solved: -1})
			}
			h.tieHand(x)
		}
	}
	return nil
}

// takeStations enters the set-ups that are tied: those that spheres tied with their
// joint covariance and their spheres, given ones as they are, those that their surface
// tied by these ties.
func (h *holding) takeStations() {
	b := h.built
	known := &posegraph.Known{}
	var rows []int // of each known body, its set-up in the network; -1 where it is held
	for _, s := range b.Stations {
		if !s.Linked {
			continue
		}
		h.body[s.File] = h.graph.Bodies
		if s.BySurface == nil {
			known.Bodies, known.Poses, rows = append(known.Bodies, h.graph.Bodies), append(known.Poses, s.ToNetwork), append(rows, s.Solved)
		}
		h.graph.Bodies++
	}
	if len(known.Bodies) == 0 && h.graph.Bodies > 0 { // the first one is the frame
		for _, s := range b.Stations {
			if s.Linked {
				known.Bodies, known.Poses, rows = []int{0}, []geom.Pose{s.ToNetwork}, []int{-1}
				break
			}
		}
	}
	for _, t := range b.surfaceTies {
		t.A, t.B = h.body[t.files[0]], h.body[t.files[1]]
		h.graph.Ties, h.fits = append(h.graph.Ties, t.Tie), append(h.fits, t.fit)
	}
	if len(known.Bodies) > 0 {
		h.points = fillKnown(known, rows, b.Network, varianceFactor(b.Network))
		h.graph.Known = known
	}
}

// fillKnown states the joint covariance, times a factor, of known bodies, of which
// stations tells the set-ups of the network, and adds the network's spheres to them. It returns the indices
// of those in Network.Spheres.
func fillKnown(k *posegraph.Known, stations []int, net *network.Result, factor float64) (spheres []int) {
	n := 6 * len(k.Bodies)
	var whole *mat.SymDense
	if net != nil {
		if whole = net.Whole.Cov(); whole != nil {
			spheres, k.Middle = net.Whole.Spheres, net.Middle
		} else if len(net.Spheres) > 0 { // they were gathered by set-ups whose poses were given
			for i := range net.Spheres {
				spheres = append(spheres, i)
			}
		}
	}
	cov := mat.NewSymDense(n+3*len(spheres), nil)
	k.Cov = cov
	for _, at := range spheres {
		k.Points = append(k.Points, net.Spheres[at].Center)
	}
	if whole != nil {
		copyWhole(cov, whole, stations, &net.Whole, factor)
		return spheres
	}
	for p, at := range spheres {
		for x, v := range net.Spheres[at].Cov {
			if x/3 <= x%3 {
				cov.SetSym(n+3*p+x/3, n+3*p+x%3, v)
			}
		}
	}
	return spheres
}

// copyWhole copies the rows of some set-ups and of all spheres.
func copyWhole(cov, whole *mat.SymDense, stations []int, w *network.Whole, factor float64) {
	var row []int // of each row, that of the network's; -1 for what is held
	for _, st := range stations {
		k := slices.Index(w.Stations, st)
		for d := range 6 {
			if k < 0 {
				row = append(row, -1)
			} else {
				row = append(row, 6*k+d)
			}
		}
	}
	for i := range 3 * len(w.Spheres) {
		row = append(row, 6*len(w.Stations)+i)
	}
	for i, from := range row {
		for j := i; j < len(row); j++ {
			if from >= 0 && row[j] >= 0 {
				cov.SetSym(i, j, factor*whole.At(from, row[j]))
			}
		}
	}
}

// leastRedundancy is the redundancy from which on a network's residuals say within a
// third how good its observations are.
const leastRedundancy = 20

// varianceFactor is by how much better than stated the spheres agree, where enough of
// them tell: surfaces and spheres are weighed against each other by what both show.
func varianceFactor(net *network.Result) float64 {
	if net == nil || net.DOF < leastRedundancy {
		return 1
	}
	return min(1, net.Sigma0*net.Sigma0)
}

// tieHand enters the ties of an instrument, and the spheres that it shows where the
// network has them.
func (h *holding) tieHand(x *hand) {
	b := h.built
	for _, t := range x.Ties {
		h.graph.Ties, h.fits = append(h.graph.Ties, h.tieOf(x.body, h.body[t.File], t.Result)), append(h.fits, t.Result)
	}
	for _, f := range x.files {
		for _, s := range b.Files[f].Spheres {
			p := h.pointAt(x.Rough.SourceToTarget.Apply(s.Center), s.Nominal/2)
			if !s.Usable || p < 0 {
				continue
			}
			x.sights = append(x.sights, len(h.graph.Sights))
			h.graph.Sights = append(h.graph.Sights, posegraph.Sight{Body: x.body, Point: p, At: s.Center, Cov: s.Cov.Add(geom.Diag(stable*stable, stable*stable, stable*stable))})
		}
	}
}

// pointAt returns the known point within reach of a place; -1 where there is none.
func (h *holding) pointAt(at geom.Vec, reach float64) int {
	for p, k := range h.points {
		if s := &h.built.Network.Spheres[k]; s.Status != network.Moved && s.Center.Dist(at) < reach {
			return p
		}
	}
	return -1
}

// bySpheres returns where the spheres that tracked files show put them, by the distances
// between them; nil where they are fewer than three or fit in no way or in several.
func (h *holding) bySpheres(files []int) *geom.Pose {
	b := h.built
	var seen []datum.Sphere
	for _, f := range files {
		for _, s := range b.Files[f].Spheres {
			if s.Usable {
				seen = append(seen, datum.Sphere{ID: fmt.Sprintf("%d", len(seen)), Center: s.Center, Cov: s.Cov})
			}
		}
	}
	var points []job.ControlPoint
	for _, k := range h.points {
		if s := &b.Network.Spheres[k]; s.Status != network.Moved {
			points = append(points, job.ControlPoint{Name: s.ID, At: s.Center})
		}
	}
	if len(seen) < 3 || len(points) < 3 {
		return nil
	}
	tolerance := 0.0
	for _, k := range b.Job.Spheres {
		tolerance = max(tolerance, k.Tolerance)
	}
	d := datum.Control(points, seen, 2*tolerance)
	if !d.OK {
		return nil
	}
	return &d.NetworkToDatum
}

const (
	holdVersion = 1
	// mostRounds bounds how often the ties are taken anew where the solution has put the
	// scans; each round takes off nine tenths of what is left.
	mostRounds = 8
	// settled is how far the last round may move an instrument, mm.
	settled = 1e-3
)

// heldTies is what the stage keeps: the ties of tracked instruments, in the graph's order.
type heldTies struct {
	Ties []posegraph.Tie
	Fits []surface.Result
}

// settle takes the ties of tracked instruments where the graph's solution puts the
// scans, again and again. By itself, a pair may slide to where a few edges pull it; where
// all others hold it, it says what it knows there, and no more.
func (h *holding) settle(ctx context.Context) error {
	b := h.built
	var list []placed
	for _, p := range b.placedStations() {
		list = append(list, placed{file: p.file, toFrame: geom.IdentityPose()})
	}
	for _, x := range h.hands {
		for _, f := range x.files {
			list = append(list, placed{file: f, toFrame: geom.IdentityPose()})
		}
	}
	key, err := b.stageKey("hold", holdVersion, h.inputs(), list)
	if err != nil {
		return err
	}
	first := len(b.surfaceTies)
	kept, err := stage.Run(h.run.store, "hold", "job", key, stage.JSON[heldTies](), func() (heldTies, error) {
		err := h.rounds(ctx, first)
		return heldTies{h.graph.Ties[first:], h.fits[first:]}, err
	})
	if err != nil {
		return err
	}
	h.graph.Ties, h.fits = append(h.graph.Ties[:first], kept.Ties...), append(h.fits[:first], kept.Fits...)
	return h.solve()
}

// inputs is all that the solution follows from, besides the scans.
func (h *holding) inputs() any {
	var cov []float64
	var known posegraph.Known
	if k := h.graph.Known; k != nil {
		known = *k
		cov, known.Cov = known.Cov.(*mat.SymDense).RawSymmetric().Data, nil
	}
	return struct {
		Grain  float64
		Known  posegraph.Known
		Cov    []float64
		Ties   []posegraph.Tie
		Sights []posegraph.Sight
	}{h.built.grain(), known, cov, h.graph.Ties, h.graph.Sights}
}

// solve finds all places together.
func (h *holding) solve() error {
	var err error
	if h.solved, err = posegraph.Solve(h.graph); err != nil {
		return fmt.Errorf("tie tracked scans: %w", err)
	}
	return nil
}

// rounds solves, and takes the ties from the first one given anew.
func (h *holding) rounds(ctx context.Context, first int) error {
	pairs, err := h.prepare(ctx, first)
	if err != nil {
		return err
	}
	for range mostRounds {
		if err := h.solve(); err != nil {
			return err
		}
		err := par.Each(ctx, len(pairs), func(k int) error { return h.again(ctx, pairs[k], first+k) })
		if err != nil {
			return err
		}
		before := h.solved
		if err := h.solve(); err != nil {
			return err
		}
		if h.moved(before) < settled {
			return nil
		}
	}
	return nil
}

// preparedPair is what a tie is taken from anew.
type preparedPair struct{ other, hand *surface.Prepared }

func (h *holding) prepare(ctx context.Context, first int) ([]preparedPair, error) {
	b := h.built
	pairs := make([]preparedPair, len(h.graph.Ties)-first)
	k := 0
	for _, x := range h.hands {
		if !x.placed() {
			continue
		}
		var source []placed
		for _, f := range x.files {
			source = append(source, placed{file: f, toFrame: geom.IdentityPose()})
		}
		cloud, err := h.run.merged(ctx, b, source)
		if err != nil {
			return nil, err
		}
		hand, err := surface.Prepare(ctx, cloud, b.handOptions())
		if err != nil {
			return nil, err
		}
		for _, t := range x.Ties {
			other, err := h.run.thin(ctx, b, t.File)
			if err != nil {
				return nil, err
			}
			p := preparedPair{hand: hand}
			if p.other, err = b.nearHand(ctx, other.Cloud, cloud, t.SourceToTarget); err != nil {
				return nil, err
			}
			pairs[k] = p
			k++
		}
	}
	return pairs, nil
}

// again takes a tie where the solution has its scans. A pair that does not even meet
// there stays as it was, and contradicts.
func (h *holding) again(ctx context.Context, p preparedPair, k int) error {
	tie := &h.graph.Ties[k]
	a, b := h.solved.Bodies[tie.A], h.solved.Bodies[tie.B]
	if !a.Linked || !b.Linked || p.other == nil {
		return nil
	}
	found, err := p.other.StepOn(ctx, p.hand, a.ToCommon.Inverse().After(b.ToCommon))
	if errors.Is(err, surface.ErrNoOverlap) || err == nil && found.Patches < leastTiePatches {
		return nil
	}
	if err != nil {
		return err
	}
	*tie = h.tieOf(tie.A, tie.B, found)
	h.fits[k] = found
	return nil
}

// tieOf makes a tie of an alignment. It is weighed by the scatter of its pieces of
// surface, which in simulated captures is what ties are off by where the solution holds
// them; beyond that, real scans may differ by their flat incidence and edges, and things
// may give, which must not count as a contradiction.
func (h *holding) tieOf(a, b int, r surface.Result) posegraph.Tie {
	box := geom.EmptyBox()
	for f, at := range h.body {
		if at == b {
			box = box.Union(h.built.Files[f].Bounds)
		}
	}
	t := posegraph.Tie{A: a, B: b, BToA: r.SourceToTarget, Cov: r.Cov, Center: r.Center, Score: float64(r.Pairs)}
	addFloor(&t.Slack, tieFloor(r), box)
	return t
}

// moved is how far a round moved the instruments at most, at the corners of their boxes.
func (h *holding) moved(before posegraph.Result) float64 {
	far := 0.0
	for _, x := range h.hands {
		if !x.placed() {
			continue
		}
		for _, f := range x.files {
			for _, c := range h.built.Files[f].Bounds.Corners() {
				far = max(far, h.solved.Bodies[x.body].ToCommon.Apply(c).Dist(before.Bodies[x.body].ToCommon.Apply(c)))
			}
		}
	}
	return far
}
