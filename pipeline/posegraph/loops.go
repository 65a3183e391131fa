package posegraph

import (
	"cmp"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// vote counts for each tie the triangles of ties that close with it, less those
// that do not.
func (s *solver) vote() {
	for i := range s.Ties {
		for j := i + 1; j < len(s.Ties); j++ {
			for k := j + 1; k < len(s.Ties); k++ {
				if !isTriangle(s.Ties[i], s.Ties[j], s.Ties[k]) {
					continue
				}
				vote := -1
				if s.closes(i, j, k) {
					vote = 1
				}
				for _, t := range []int{i, j, k} {
					s.loops[t] += vote
				}
			}
		}
	}
}

func isTriangle(a, b, c Tie) bool {
	count := map[int]int{}
	for _, t := range []Tie{a, b, c} {
		count[t.A]++
		count[t.B]++
	}
	return len(count) == 3 && count[a.A] == 2 && count[a.B] == 2 && count[b.A] == 2 && count[b.B] == 2
}

// closes walks round a triangle and tests whether it comes back to where it began,
// within the covariances of the three ties.
func (s *solver) closes(i, j, k int) bool {
	a := s.Ties[i]
	second, third := s.Ties[j], s.Ties[k]
	if second.A != a.B && second.B != a.B {
		second, third = third, second
	}
	// A ← B ← C ← A, in A's frame at the first tie's centre.
	bToA, cToB := a.BToA, second.from(a.B)
	round := bToA.After(cToB).After(third.from(third.other(a.A)))
	at := a.Center
	cov := a.at(at, geom.IdentityPose())
	if b, ok := second.carried(a.B, bToA, at); ok {
		cov = add(cov, b)
	}
	if c, ok := third.carried(a.A, geom.IdentityPose(), at); ok {
		cov = add(cov, c)
	}
	info, ok := information(cov)
	if !ok {
		return false
	}
	shift, turn := round.Apply(at).Sub(at), geom.RotVecOf(round.R)
	return square(info, turn, shift) <= s.limit
}

// from returns the tie's placement of the other body in the frame of one of its two.
func (t Tie) from(body int) geom.Pose {
	if t.A == body {
		return t.BToA
	}
	return t.BToA.Inverse()
}

func (t Tie) other(body int) int {
	if t.A == body {
		return t.B
	}
	return t.A
}

// at returns the covariance by which the tie is tested about another place of A's frame, turned by a
// pose from A's frame to another.
func (t Tie) at(place geom.Vec, toOther geom.Pose) fit.Mat6 {
	return turned(levered(t.tested(), place.Sub(t.Center)), toOther.R)
}

// carried returns the tie's covariance about a place of some frame, given the pose of
// one of its bodies in that frame.
func (t Tie) carried(body int, toFrame geom.Pose, place geom.Vec) (fit.Mat6, bool) {
	aToFrame := toFrame
	if t.B == body {
		aToFrame = toFrame.After(t.BToA.Inverse())
	} else if t.A != body {
		return fit.Mat6{}, false
	}
	return t.at(aToFrame.Inverse().Apply(place), aToFrame), true
}

// levered moves the centre of a motion's covariance by an arm: t' = t + w × arm.
func levered(c fit.Mat6, arm geom.Vec) fit.Mat6 {
	k := geom.Skew(arm).Scale(-1)
	rr, rt, tr, tt := c.Block(0, 0), c.Block(0, 3), c.Block(3, 0), c.Block(3, 3)
	return blocks(rr, rt.Add(rr.Mul(k.T())), tr.Add(k.Mul(rr)), tt.Add(tr.Mul(k.T())).Add(k.Mul(rt)).Add(k.Mul(rr).Mul(k.T())))
}

// turned carries a motion's covariance to other axes.
func turned(c fit.Mat6, r geom.Mat) fit.Mat6 {
	f := func(m geom.Mat) geom.Mat { return r.Mul(m).Mul(r.T()) }
	return blocks(f(c.Block(0, 0)), f(c.Block(0, 3)), f(c.Block(3, 0)), f(c.Block(3, 3)))
}

func blocks(rr, rt, tr, tt geom.Mat) fit.Mat6 {
	var m fit.Mat6
	for i := range 9 {
		row, col := i/3, i%3
		m[6*row+col], m[6*row+col+3], m[6*(row+3)+col], m[6*(row+3)+col+3] = rr[i], rt[i], tr[i], tt[i]
	}
	return m
}

func add(a, b fit.Mat6) fit.Mat6 {
	for i := range a {
		a[i] += b[i]
	}
	return a
}

// square returns vᵀ·M·v with v = (turn, shift).
func square(m fit.Mat6, turn, shift geom.Vec) float64 {
	v := [6]float64{turn.X, turn.Y, turn.Z, shift.X, shift.Y, shift.Z}
	sum := 0.0
	for i := range 6 {
		for j := range 6 {
			sum += v[i] * m[6*i+j] * v[j]
		}
	}
	return sum
}

// grow lays the bodies out along the ties that are trusted most: those that more
// triangles confirm, then the higher score.
func (s *solver) grow() {
	order := make([]int, len(s.Ties))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(s.loops[b], s.loops[a]), cmp.Compare(s.Ties[b].Score, s.Ties[a].Score))
	})
	if s.Known == nil {
		s.chooseRoot()
	}
	for again := true; again; {
		again = false
		for _, i := range order {
			t := s.Ties[i]
			switch {
			case s.linked[t.A] && !s.linked[t.B]:
				s.poses[t.B], s.linked[t.B] = s.poses[t.A].After(t.BToA), true
			case s.linked[t.B] && !s.linked[t.A]:
				s.poses[t.A], s.linked[t.A] = s.poses[t.B].After(t.BToA.Inverse()), true
			default:
				continue
			}
			again = true
			break
		}
		again = again || s.placeBySights()
	}
	for i, t := range s.Ties {
		s.used[i] = s.linked[t.A] && s.linked[t.B]
	}
	s.dropLostSights()
}

// chooseRoot takes the first body of the largest part that hangs together.
func (s *solver) chooseRoot() {
	part := make([]int, s.Bodies)
	for i := range part {
		part[i] = i
	}
	find := func(i int) int {
		for part[i] != i {
			i = part[i]
		}
		return i
	}
	for _, t := range s.Ties {
		a, b := find(t.A), find(t.B)
		part[max(a, b)] = min(a, b)
	}
	count := make([]int, s.Bodies)
	for i := range part {
		count[find(i)]++
	}
	for i, n := range count {
		if n > 1 && (s.root < 0 || n > count[s.root]) {
			s.root = i
		}
	}
	if s.root >= 0 {
		s.linked[s.root] = true
	}
}
