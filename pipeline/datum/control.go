// Package datum finds the object's own axes, in one of three ways.
//
// Planes sets them up on two planes, or a plane and a line, and an origin.
// Mirrors finds the upright plane that the object is its own mirror image in,
// which with a floor or the plane that wheels stand on (Wheels) and an origin makes three such elements too. Control matches reference spheres to points with known coordinates, without
// labels, by the distances between them, and fits the rigid motion from the
// network's frame to the datum's by least squares. The largest subset that fits
// decides; a point that does not fit is named, a second fit that is as good is
// reported, and nothing is guessed. Unit errors and mirrored coordinates are
// recognised and said. Lengths are millimetres.
package datum

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Sphere is a sphere of the adjusted network.
type Sphere struct {
	ID     string
	Center geom.Vec // network frame
	Cov    geom.Mat
}

// Point is a control point and the sphere that was matched to it.
type Point struct {
	Name     string
	Sphere   string   // empty where none fits
	Residual geom.Vec // placed sphere minus known coordinates, datum frame
	Used     bool
}

// Result is the datum.
type Result struct {
	OK             bool // false: the datum does not fit, NetworkToDatum is the identity
	NetworkToDatum geom.Pose
	Cov            fit.Mat6  // of (rotation vector in rad, translation in mm) about Center, datum axes, row-major
	Center         geom.Vec  // of the points used, datum frame
	RMS            float64   // of the residual distances of the points used
	Points         []Point   // control: in the order of the job sheet
	Elements       []Element // planes and mirror: what holds the frame, in the network's frame
	Wheels         []Wheel   // that hold the primary plane, in the network's frame
	Findings       []job.Finding
}

// assignment maps control points to spheres; -1 where none fits.
type assignment struct {
	sphere []int
	count  int
	rms    float64
	pose   geom.Pose
}

// Control finds the datum from control points. tolerance is the largest
// departure at which a sphere counts as standing on its point.
func Control(points []job.ControlPoint, spheres []Sphere, tolerance float64) Result {
	m := matcher{points: points, spheres: spheres, tolerance: tolerance}
	best, second := m.search()
	if best.count < 3 {
		return poor(points, m.explain())
	}
	// A triangle is its own mirror image, turned over: three mirrored points always fit.
	if best.count < len(points) && m.mirrored().count > best.count {
		return poor(points, fmt.Sprintf("Only %d of the %d control points fit the spheres as they are.%s", best.count, len(points), mirrorImage))
	}
	r := m.result(best)
	if best.count == second.count && second.rms < tolerance {
		r.Findings = append(r.Findings, finding("control", fmt.Sprintf(
			"The control points fit the spheres in more than one way (residuals of %.2f mm and %.2f mm rms with %d points each): the layout is too regular or has too few points. "+
				"To do: add a control point that breaks the symmetry, at another height or distance.", best.rms, second.rms, best.count)))
		r.OK, r.NetworkToDatum = false, geom.IdentityPose()
	}
	return r
}

func finding(subject, text string) job.Finding {
	return job.Finding{Code: job.DatumPoor, Severity: job.Hold, Subject: subject, Text: text}
}

func poor(points []job.ControlPoint, text string) Result {
	r := Result{NetworkToDatum: geom.IdentityPose(), Findings: []job.Finding{finding("control", text)}}
	for _, p := range points {
		r.Points = append(r.Points, Point{Name: p.Name})
	}
	return r
}

type matcher struct {
	points    []job.ControlPoint
	spheres   []Sphere
	tolerance float64
}

// search tries every way to put a triangle of control points on a triangle of
// spheres and keeps the placement that most spheres agree with, and the best one
// that differs from it.
func (m *matcher) search() (best, second assignment) {
	n := len(m.points)
	for i := range n {
		for j := i + 1; j < n; j++ {
			for k := j + 1; k < n; k++ {
				m.place(i, j, k, &best, &second)
			}
		}
	}
	return best, second
}

func (m *matcher) place(i, j, k int, best, second *assignment) {
	pi, pj, pk := m.points[i].At, m.points[j].At, m.points[k].At
	if pj.Sub(pi).Cross(pk.Sub(pi)).Norm() < m.tolerance*pi.Dist(pj) {
		return // the third point stands in the line of the others
	}
	for a, sa := range m.spheres {
		for b, sb := range m.spheres {
			if a == b || !m.same(pi.Dist(pj), sa.Center.Dist(sb.Center)) {
				continue
			}
			for c, sc := range m.spheres {
				if c == a || c == b || !m.same(pi.Dist(pk), sa.Center.Dist(sc.Center)) || !m.same(pj.Dist(pk), sb.Center.Dist(sc.Center)) {
					continue
				}
				m.consider([]int{i, j, k}, []int{a, b, c}, best, second)
			}
		}
	}
}

func (m *matcher) same(a, b float64) bool { return math.Abs(a-b) <= 2*m.tolerance }

// consider grows a triangle to all points that agree with it.
func (m *matcher) consider(points, spheres []int, best, second *assignment) {
	sphere := make([]int, len(m.points))
	for i := range sphere {
		sphere[i] = -1
	}
	for i, p := range points {
		sphere[p] = spheres[i]
	}
	a := m.fit(sphere)
	for range 3 {
		grown := m.agreeing(a.pose)
		if slices.Equal(grown, a.sphere) {
			break
		}
		a = m.fit(grown)
		if a.count < 3 {
			return
		}
	}
	switch {
	case better(a, *best):
		if !slices.Equal(a.sphere, best.sphere) {
			*second = *best
		}
		*best = a
	case !slices.Equal(a.sphere, best.sphere) && better(a, *second):
		*second = a
	}
}

func better(a, b assignment) bool {
	if c := cmp.Compare(a.count, b.count); c != 0 {
		return c > 0
	}
	return a.count > 0 && a.rms < b.rms
}

// agreeing returns for each control point the sphere nearest to it, where that
// is within the tolerance.
func (m *matcher) agreeing(networkToDatum geom.Pose) []int {
	out := make([]int, len(m.points))
	taken := make([]bool, len(m.spheres))
	for i, p := range m.points {
		out[i] = -1
		nearest := m.tolerance
		for k, s := range m.spheres {
			if d := networkToDatum.Apply(s.Center).Dist(p.At); d <= nearest && !taken[k] {
				out[i], nearest = k, d
			}
		}
		if out[i] >= 0 {
			taken[out[i]] = true
		}
	}
	return out
}

func (m *matcher) fit(sphere []int) assignment {
	a := assignment{sphere: sphere}
	var from, to []geom.Vec
	for i, k := range sphere {
		if k >= 0 {
			from, to = append(from, m.spheres[k].Center), append(to, m.points[i].At)
		}
	}
	pose, rms, err := fit.Rigid(from, to, nil)
	if err == nil { // a set that cannot hold a frame counts as no fit
		a.count, a.pose, a.rms = len(from), pose, rms
	}
	return a
}

func (m *matcher) result(a assignment) Result {
	r := Result{OK: true, NetworkToDatum: a.pose, RMS: a.rms}
	for i, p := range m.points {
		q := Point{Name: p.Name}
		k := a.sphere[i]
		if k >= 0 {
			q.Used, q.Sphere = true, m.spheres[k].ID
			q.Residual = a.pose.Apply(m.spheres[k].Center).Sub(p.At)
			r.Center = r.Center.AddScaled(1/float64(a.count), p.At)
		} else {
			q.Sphere, q.Residual = m.nearest(p, a.pose)
			r.Findings = append(r.Findings, m.misfit(p, q, a))
		}
		r.Points = append(r.Points, q)
	}
	r.Cov = m.covariance(a, r.Center)
	return r
}

// nearest returns the sphere closest to a point that was not matched, if one is
// within a tenth of the distance to the other points: a sphere with a wrong
// coordinate rather than none.
func (m *matcher) nearest(p job.ControlPoint, networkToDatum geom.Pose) (string, geom.Vec) {
	id, residual, least := "", geom.Vec{}, math.Inf(1)
	for _, s := range m.spheres {
		if d := networkToDatum.Apply(s.Center).Sub(p.At); d.Norm() < least {
			id, residual, least = s.ID, d, d.Norm()
		}
	}
	for _, q := range m.points {
		if q.Name != p.Name && least > 0.1*q.At.Dist(p.At) {
			return "", geom.Vec{}
		}
	}
	return id, residual
}

func (m *matcher) misfit(p job.ControlPoint, q Point, a assignment) job.Finding {
	if q.Sphere == "" {
		return finding(p.Name, fmt.Sprintf(
			"No sphere stands at control point %s; the other %d points fit with %.2f mm rms. To do: check that this sphere was scanned and that its coordinates are in the frame of the others.", p.Name, a.count, a.rms))
	}
	return finding(p.Name, fmt.Sprintf(
		"Control point %s does not fit: sphere %s stands %.1f mm away from it (%.1f, %.1f, %.1f), the limit is %.1f mm; the other %d points fit with %.2f mm rms. "+
			"To do: check the coordinates of %s, and whether the sphere was moved after they were measured.",
		p.Name, q.Sphere, q.Residual.Norm(), tenths(q.Residual.X), tenths(q.Residual.Y), tenths(q.Residual.Z), m.tolerance, a.count, a.rms, p.Name))
}

// tenths rounds, and keeps a minus off a zero.
func tenths(x float64) float64 { return math.Round(10*x)/10 + 0 }
