package network

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// slip is a set-up that moved while it scanned.
type slip struct {
	station int
	lost    []int // its observations that do not belong to its pose
	by      float64
	sigma   float64
}

// arcs lists the parts of what a station saw that a disturbance may have parted from
// the rest: a tripod scanner turns about its own axis, so the spheres before and after
// a knock stand in one arc of directions each, or in two opposite ones where it scans
// in front and behind at once. A part has two spheres or more and leaves three.
// Positions count the station's equations in order.
func (s *solver) arcs(st int) [][]int {
	var at []int
	var azimuth []float64
	for _, e := range s.adjusted.equations {
		if e.station == st {
			p := s.seen[st][e.observation].center
			at, azimuth = append(at, len(at)), append(azimuth, math.Atan2(p.Y, p.X))
		}
	}
	var list [][]int
	for _, turn := range [...]float64{2 * math.Pi, math.Pi} {
		order := slices.Clone(at)
		phase := func(i int) float64 { return math.Mod(azimuth[i]+2*math.Pi, turn) }
		slices.SortStableFunc(order, func(i, k int) int { return cmp.Compare(phase(i), phase(k)) })
		list = appendRuns(list, order)
	}
	return list
}

// appendRuns adds the runs of a circle of n that hold two to half of it and leave
// three, each once.
func appendRuns(list [][]int, order []int) [][]int {
	n := len(order)
	for size := 2; size <= n/2 && n-size >= 3; size++ {
		for from := range n {
			var g []int
			for k := range size {
				g = append(g, order[(from+k)%n])
			}
			slices.Sort(g)
			if !slices.ContainsFunc(list, func(h []int) bool { return slices.Equal(g, h) }) {
				list = append(list, g)
			}
		}
	}
	return list
}

// ofStation returns a station's equations in order.
func (a *adjustment) ofStation(st int) []int {
	var list []int
	for k := range a.equations {
		if a.equations[k].station == st {
			list = append(list, k)
		}
	}
	return list
}

// stationControl returns P·Qvv·P between all observations of one station, m×m blocks
// row-major: controls has it between those of one sphere.
func (a *adjustment) stationControl(st int) []geom.Mat {
	if a.ofOne == nil {
		a.ofOne = map[int][]geom.Mat{}
	}
	if a.ofOne[st] == nil {
		a.ofOne[st] = a.computeControl(st)
	}
	return a.ofOne[st]
}

func (a *adjustment) computeControl(st int) []geom.Mat {
	list := a.ofStation(st)
	m := len(list)
	h := mat.NewDense(6*len(a.stations), 3*m, nil)
	for i, k := range list {
		c := a.equations[k].column
		for _, l := range a.bySphere[c] {
			e := &a.equations[l]
			if e.unknown < 0 {
				continue
			}
			g := e.p.Mul(a.dInv[c]).Mul(a.equations[k].p).Scale(-1)
			if l == k {
				g = g.Add(e.p)
			}
			put(h, 6*e.unknown, 3*i, geom.Skew(e.arm).Mul(g))
			put(h, 6*e.unknown+3, 3*i, g)
		}
	}
	var qh, through mat.Dense
	qh.Mul(a.q, h)
	through.Mul(h.T(), &qh)
	out := make([]geom.Mat, m*m)
	for i, k := range list {
		p := a.equations[k].p
		out[i*m+i] = p.Add(p.Mul(a.dInv[a.equations[k].column]).Mul(p).Scale(-1))
		for j := range m {
			for x := range 9 {
				out[i*m+j][x] -= through.At(3*i+x/3, 3*j+x%3)
			}
		}
	}
	return out
}

// slip supposes that a group of a station's observations was seen from a pose of its
// own: shifted, and turned about the group's middle as well where turns says so.
func (a *adjustment) slip(st int, group []int, control []geom.Mat, turns bool) estimate {
	list := a.ofStation(st)
	m := len(list)
	var middle geom.Vec
	for _, i := range group {
		middle = middle.Add(a.equations[list[i]].arm.Scale(1 / float64(len(group))))
	}
	q := 3
	if turns {
		q = 6
	}
	normal, right := mat.NewSymDense(q, nil), mat.NewVecDense(q, nil)
	var reach float64
	for _, i := range group {
		e := &a.equations[list[i]]
		lever := geom.Skew(e.arm.Sub(middle))
		reach = max(reach, e.arm.Sub(middle).Norm())
		pv := e.p.MulVec(e.v).Scale(-1)
		addBlock(right, 0, pv)
		if turns {
			addBlock(right, 3, lever.MulVec(pv)) // [-[x]×]ᵀ = [x]×
		}
		for _, j := range group {
			w := control[i*m+j]
			addSquare(normal, 0, 0, w)
			if turns {
				other := geom.Skew(a.equations[list[j]].arm.Sub(middle)).Scale(-1)
				addSquare(normal, 0, 3, w.Mul(other))
				addSquare(normal, 3, 3, lever.Mul(w).Mul(other))
			}
		}
	}
	return solveBlunder(normal, right, reach)
}

func addBlock(v *mat.VecDense, at int, x geom.Vec) {
	for i := range 3 {
		v.SetVec(at+i, v.AtVec(at+i)+x.At(i))
	}
}

// addSquare adds a block of the upper triangle; of one on the diagonal, its own upper
// half, which is all that is kept of a symmetric sum.
func addSquare(m *mat.SymDense, row, col int, b geom.Mat) {
	for x, v := range b {
		if i, j := row+x/3, col+x%3; i <= j {
			m.SetSym(i, j, m.At(i, j)+v)
		}
	}
}

// solveBlunder solves for the parameters of a supposed error; size is its translation,
// and its largest displacement where reach lets a turn add to it.
func solveBlunder(normal *mat.SymDense, right *mat.VecDense, reach float64) estimate {
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(normal) || !(chol.Cond() < 1e14) || chol.SolveVecTo(&x, right) != nil {
		return estimate{}
	}
	e := estimate{size: geom.Vec{X: x.AtVec(0), Y: x.AtVec(1), Z: x.AtVec(2)}, value: mat.Dot(&x, right)}
	var inv mat.SymDense
	if chol.InverseTo(&inv) == nil {
		e.sigma = math.Sqrt(inv.At(0, 0) + inv.At(1, 1) + inv.At(2, 2))
	}
	if x.Len() == 6 {
		turn := math.Sqrt(x.AtVec(3)*x.AtVec(3) + x.AtVec(4)*x.AtVec(4) + x.AtVec(5)*x.AtVec(5))
		e.largest = e.size.Norm() + turn*reach
	}
	return e
}

// takeSlip parts the group from its station: each of its spheres keeps a place of its
// own for it, which ties nothing.
func (s *solver) takeSlip(c suspicion) bool {
	list := s.adjusted.ofStation(c.station)
	before := slices.Clone(s.places[c.station])
	found := slip{station: c.station, by: c.estimate.Norm(), sigma: c.sigma}
	for _, g := range c.group {
		e := s.adjusted.equations[list[g]]
		s.spheres = append(s.spheres, sphere{center: s.spheres[e.sphere].center.Add(c.estimate), sigma: s.spheres[e.sphere].sigma, kind: s.spheres[e.sphere].kind, origin: s.spheres[e.sphere].origin})
		s.places[c.station][e.observation] = len(s.spheres) - 1
		found.lost = append(found.lost, e.observation)
	}
	if s.isHeld() && s.adjust() {
		s.slips = append(s.slips, found)
		return true
	}
	s.spheres = s.spheres[:len(s.spheres)-len(c.group)]
	s.places[c.station] = before
	s.adjust()
	return false
}

// absorb counts to a slip what stood out before it for that set-up alone: a turn moves
// far spheres further than the gate of matching.
func (s *solver) absorb() {
	for i := range s.slips {
		x := &s.slips[i]
		s.split = slices.DeleteFunc(s.split, func(y splitOff) bool {
			seers := s.seers(y.place)
			if !y.resolved || len(seers) != 1 || seers[0] != x.station {
				return false
			}
			x.lost = append(x.lost, slices.Index(s.places[x.station], y.place))
			return true
		})
	}
}

// reportSlip names a set-up that moved while it scanned, and where it looked then.
func (s *solver) reportSlip(r *Result, x slip) {
	var largest float64
	var from, to []geom.Vec
	for _, j := range x.lost {
		own := r.Spheres[r.Stations[x.station].Spheres[j]]
		for _, other := range r.Spheres {
			if other.ID != own.ID && baseID(other.ID) == baseID(own.ID) && other.Status != Single {
				largest = max(largest, other.Center.Dist(own.Center))
				from, to = append(from, own.Center), append(to, other.Center)
			}
		}
	}
	turned := ""
	if pose, _, err := fit.Rigid(from, to, nil); err == nil {
		turned = sentence(", a shift of %.2f mm with a turn of %.3f°", x.by, geom.Angle(pose.R)*180/math.Pi)
	}
	s.report(job.StationDisturbed, job.Hold, r.Stations[x.station].Name, sentence("%d of its %d spheres, those in one arc of its view, stand together elsewhere than for the other set-ups, by up to %.2f mm (standard uncertainty %.2f mm)%s: the set-up was knocked or sank while it scanned. "+
		"Its position rests on the other %d; what it saw in the direction of these %d is displaced. Look at the tripod's feet and the floor, and scan this set-up again.",
		len(x.lost), len(s.seen[x.station]), max(largest, x.by), x.sigma, turned, len(s.seen[x.station])-len(x.lost), len(x.lost)), r.Stations[x.station].Name)
}

// baseID is the id of a sphere without the letter of a further place.
func baseID(id string) string {
	for i, c := range id {
		if i > 0 && (c < '0' || c > '9') {
			return id[:i]
		}
	}
	return id
}
