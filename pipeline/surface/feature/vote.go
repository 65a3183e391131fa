package feature

import (
	"cmp"
	"context"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

// Steps of the point pair features, §5 of the paper: distances in twentieths of the
// model's diameter, angles in thirtieths of a turn.
const (
	voteDistances = 20
	voteAngles    = 15 // of half a turn
	voteTurns     = 30 // of a whole turn
	voteRefs      = 150
	peaksOfRef    = 3
	fineTurns     = 8 * voteTurns // stored turns are rounded to an eighth of a step
)

// Vote returns up to most motions of the model onto the scene, those with the most
// votes first, different ones only. Both should be thinned so that the model has some
// hundred points: the work grows as the square of its number times that of the scene.
//
// After B. Drost, M. Ulrich, N. Navab, S. Ilic, Model globally, match locally: efficient
// and robust 3D object recognition (CVPR 2010): the distance of two points and the
// three angles of their normals to each other and to the line between them find
// all like pairs of the model in a table; each votes for the model point that lies on
// the scene's reference point and for the turn about its normal. Pairs on one
// plane are left out, for they are alike in all places and turns. Smooth shapes
// that have no two places that look different still have pairs that do.
func Vote(ctx context.Context, model, scene Points, most int) ([]Motion, error) {
	v := newVoter(model, scene)
	if v == nil {
		return nil, nil
	}
	step := max(1, (len(scene.At)+voteRefs-1)/voteRefs)
	refs := (len(scene.At) + step - 1) / step
	slots := make([][]Motion, refs)
	err := par.Blocks(ctx, refs, 8, func(_, lo, hi int) error {
		votes := make([]int32, len(model.At)*voteTurns)
		for r := lo; r < hi; r++ {
			clear(votes)
			slots[r] = v.cast(r*step, votes)
		}
		return nil
	})
	return Different(slices.Concat(slots...), v.center, v.diameter/10, most), err
}

// voter is the table of the model's point pairs.
type voter struct {
	model, scene Points
	center       geom.Vec // of the model
	diameter     float64
	start        []int32 // of each bucket in entries
	entries      []entry
	frames       []geom.Mat // rotations that turn the scene's or model's normals to X
}

// entry is a pair of the model: its first point, and the turn of the second about
// the normal of the first.
type entry struct {
	ref  int32 // first place of the point in the votes
	turn int32 // in fineTurns
}

func newVoter(model, scene Points) *voter {
	if len(model.At) < leastSupport || len(scene.At) < leastSupport {
		return nil
	}
	v := &voter{model: model, scene: scene, center: middle(model.At)}
	for _, p := range model.At {
		v.diameter = math.Max(v.diameter, 2*p.Dist(v.center))
	}
	if !(v.diameter > 0) {
		return nil
	}
	v.frames = make([]geom.Mat, len(model.At))
	for i, n := range model.Normal {
		v.frames[i] = toX(n)
	}
	v.fill()
	return v
}

// fill counts the pairs of each bucket, then sorts them into it.
func (v *voter) fill() {
	n := len(v.model.At)
	keys := make([]int32, n*n)
	v.start = make([]int32, voteDistances*voteAngles*voteAngles*voteAngles+1)
	for i := range n {
		for j := range n {
			k := v.key(v.model, i, j)
			keys[i*n+j] = k
			if k >= 0 {
				v.start[k+1]++
			}
		}
	}
	for k := 1; k < len(v.start); k++ {
		v.start[k] += v.start[k-1]
	}
	v.entries = make([]entry, v.start[len(v.start)-1])
	at := slices.Clone(v.start)
	for i := range n {
		for j := range n {
			if k := keys[i*n+j]; k >= 0 {
				v.entries[at[k]] = entry{ref: int32(i * voteTurns), turn: turnOf(v.frames[i], v.model.At[j].Sub(v.model.At[i]))}
				at[k]++
			}
		}
	}
}

// key returns the bucket of two points, or -1 for a pair that says nothing: too
// close, too far, or on one plane.
func (v *voter) key(p Points, i, j int) int32 {
	d := p.At[j].Sub(p.At[i])
	l := d.Norm()
	dist := int32(l / v.diameter * voteDistances)
	if dist < 1 || dist >= voteDistances {
		return -1
	}
	d = d.Scale(1 / l)
	a, b, c := p.Normal[i].Dot(d), p.Normal[j].Dot(d), p.Normal[i].Dot(p.Normal[j])
	const flatCos, flatSlope = 0.97, 0.12 // 14 and 7 degrees: the scatter of normals
	if c > flatCos && math.Abs(a) < flatSlope && math.Abs(b) < flatSlope {
		return -1
	}
	return ((dist*voteAngles+angleBin(a))*voteAngles+angleBin(b))*voteAngles + angleBin(c)
}

func angleBin(cos float64) int32 {
	return min(int32(math.Acos(max(-1, min(1, cos)))/math.Pi*voteAngles), voteAngles-1)
}

// toX returns a rotation that turns the unit vector n to the X axis.
func toX(n geom.Vec) geom.Mat {
	if !(n.Norm2() > 0.5) {
		return geom.Identity()
	}
	y := n.Perpendicular()
	return geom.Rows(n, y, n.Cross(y))
}

// turnOf returns the angle about X at which d lies after the rotation, in fineTurns.
func turnOf(frame geom.Mat, d geom.Vec) int32 {
	e := frame.MulVec(d)
	return int32((math.Atan2(e.Z, e.Y)/(2*math.Pi)+0.5)*fineTurns) % fineTurns
}

// cast lets all pairs of one scene point vote and returns the highest peaks as motions.
func (v *voter) cast(r int, votes []int32) []Motion {
	frame := toX(v.scene.Normal[r])
	for j := range v.scene.At {
		if j == r {
			continue
		}
		k := v.key(v.scene, r, j)
		if k < 0 {
			continue
		}
		turn := turnOf(frame, v.scene.At[j].Sub(v.scene.At[r]))
		for _, e := range v.entries[v.start[k]:v.start[k+1]] {
			a := turn - e.turn
			if a < 0 {
				a += fineTurns
			}
			votes[e.ref+a/(fineTurns/voteTurns)]++
		}
	}
	var out []Motion
	for range peaksOfRef {
		k := peak(votes)
		if votes[k] == 0 {
			break
		}
		out = append(out, v.motion(r, k, frame, int(votes[k])))
		i := k / voteTurns * voteTurns
		clear(votes[i : i+voteTurns])
	}
	return out
}

func peak(votes []int32) int {
	best := 0
	for k, n := range votes {
		if n > votes[best] {
			best = k
		}
	}
	return best
}

// motion carries model point k/voteTurns onto scene point r with the turn k%voteTurns.
func (v *voter) motion(r, k int, frame geom.Mat, support int) Motion {
	i := k / voteTurns
	turn := (float64(k%voteTurns) + 0.5) * 2 * math.Pi / voteTurns
	rot := frame.T().Mul(geom.RotVec(geom.Vec{X: turn})).Mul(v.frames[i])
	return Motion{Pose: geom.Pose{R: rot, T: v.scene.At[r].Sub(rot.MulVec(v.model.At[i]))}, Support: support}
}

// sameAngle is how far two motions may be turned and still be one: twice the step of
// the voting.
const sameAngle = 2 * 2 * math.Pi / voteTurns

// Different joins motions that turn alike and carry the point center to within
// reach of each other, adds their support, and returns up to most of them, the
// best supported first.
func Different(all []Motion, center geom.Vec, reach float64, most int) []Motion {
	order := slices.Clone(all)
	slices.SortStableFunc(order, func(a, b Motion) int { return cmp.Compare(b.Support, a.Support) })
	var out []Motion
	for _, m := range order {
		k := slices.IndexFunc(out, func(o Motion) bool { return o.IsNear(m, center, reach, sameAngle) })
		if k < 0 {
			out = append(out, m)
		} else {
			out[k].Support += m.Support
		}
	}
	slices.SortStableFunc(out, func(a, b Motion) int { return cmp.Compare(b.Support, a.Support) })
	return out[:min(most, len(out))]
}

// IsNear says that two motions carry the point center to within reach (mm) of each
// other and turn alike within angle (rad).
func (m Motion) IsNear(o Motion, center geom.Vec, reach, angle float64) bool {
	return m.Pose.Apply(center).Dist(o.Pose.Apply(center)) < reach && turnedLess(m.Pose.R, o.Pose.R, angle)
}

// turnedLess compares by the trace of the difference, 1 + 2 cos.
func turnedLess(a, b geom.Mat, angle float64) bool {
	var trace float64
	for i := range a {
		trace += a[i] * b[i]
	}
	return trace > 1+2*math.Cos(angle)
}
