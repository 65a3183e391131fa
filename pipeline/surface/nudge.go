package surface

import (
	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/geom"
)

// nudgeReach is how far a proposed placement may be off at each step of nudge, in
// cells: the steps of the voting are a fifteenth of half a turn.
var nudgeReach = [...]float64{6, 5, 4, 3, 2, 2}

// nudged is how many places of the source nudge looks at. Six unknowns and a robust
// judge behind it need no more.
const nudged = 300

// nudge moves a proposed placement a few steps of point-to-plane fitting towards
// the surface: much less than Align does, in a hundredth of the time, so that any
// number of proposals can be judged where they lead to.
func (l *locator) nudge(pose geom.Pose) geom.Pose {
	for _, reach := range nudgeReach {
		step, ok := l.nudgeStep(pose, reach*l.cell)
		if !ok {
			return pose
		}
		pose = step.After(pose)
	}
	return pose
}

// nudgeStep is one step with the pairs that are nearer than reach. Directions that
// the pairs do not hold stay, by a ridge of a hundredth.
func (l *locator) nudgeStep(pose geom.Pose, reach float64) (geom.Pose, bool) {
	s, t := l.source.coarse, l.coarse.target // the index finds places among all of these
	about := pose.Apply(l.source.box.Center())
	size := l.source.box.Size().Norm() / 2
	var h [36]float64
	var g [6]float64
	n := 0
	for i := 0; i < len(s.At); i += 1 + len(s.At)/(nudged+1) {
		p, dir := pose.Apply(s.At[i]), pose.Turn(s.Normal[i])
		j, _ := l.coarse.targetIndex.Nearest(p, reach)
		if j < 0 || dir.Dot(t.Normal[j]) < minNormalCos {
			continue
		}
		normal := dir.Add(t.Normal[j]).Unit()
		turn := p.Sub(about).Cross(normal).Scale(1 / size)
		row := [6]float64{turn.X, turn.Y, turn.Z, normal.X, normal.Y, normal.Z}
		d := normal.Dot(p.Sub(t.At[j]))
		for a := range 6 {
			g[a] -= row[a] * d
			for b := range 6 {
				h[6*a+b] += row[a] * row[b]
			}
		}
		n++
	}
	if n < leastNudging {
		return geom.IdentityPose(), false
	}
	return ridgeStep(h, g, about, size)
}

// leastNudging pairs hold six unknowns twice over.
const leastNudging = 12

// ridgeStep solves the normal equations of a small motion about a centre.
func ridgeStep(h [36]float64, g [6]float64, about geom.Vec, size float64) (geom.Pose, bool) {
	m := mat.NewSymDense(6, h[:])
	ridge := heldShare * mat.Trace(m) / 6
	for a := range 6 {
		m.SetSym(a, a, m.At(a, a)+ridge)
	}
	var c mat.Cholesky
	var x mat.VecDense
	if !c.Factorize(m) || c.SolveVecTo(&x, mat.NewVecDense(6, g[:])) != nil {
		return geom.IdentityPose(), false
	}
	r := geom.RotVec(geom.Vec{X: x.AtVec(0), Y: x.AtVec(1), Z: x.AtVec(2)}.Scale(1 / size))
	move := geom.Vec{X: x.AtVec(3), Y: x.AtVec(4), Z: x.AtVec(5)}
	return geom.Pose{R: r, T: about.Sub(r.MulVec(about)).Add(move)}, true
}
