package datum

import (
	"errors"
	"fmt"
	"math"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Element is a feature of the object that holds a part of its frame, in the
// network's frame. A plane has a Normal that points to the side that was seen; a
// spot, such as a hole's centre on its face, has none.
type Element struct {
	Name      string // "primary", "secondary", "origin" or "floor"
	Point     geom.Vec
	PointCov  geom.Mat
	Normal    geom.Vec // unit, or zero for a spot
	NormalCov geom.Mat
	RMS       float64 // of its points about it
	Points    int
}

// Elements are the three that hold a frame, after the 3-2-1 rule of ISO 5459:2011
// (from memory): the primary plane holds two rotations and a translation, the
// secondary plane or line a rotation and a translation, the origin a translation.
// Planes are least-squares planes, not the touching ones of the standard; so the
// secondary plane's translation is taken where its points have their middle.
type Elements struct {
	Primary       Element
	PrimaryAxis   job.Axis // along the primary plane's normal
	Secondary     Element  // a plane; or the first spot of a line
	To            *Element // the second spot of a line
	SecondaryAxis job.Axis // along the secondary plane's normal, or along the line
	Origin        Element  // where the third coordinate is zero
}

// squareEnough is the least angle between the primary plane and what the
// secondary element points along: below thirty degrees, turning about the
// primary normal is hardly held.
const squareEnough = 0.5

// errNotSquare says that the secondary element does not hold the rotation.
var errNotSquare = errors.New("the secondary element is nearly parallel to the primary plane's normal and cannot hold the turn about it")

// Planes finds the datum from three elements. A frame that they do not hold is a
// finding, and the result is not OK.
func Planes(e Elements) Result {
	pose, err := e.frame()
	if err != nil {
		return Result{NetworkToDatum: geom.IdentityPose(), Findings: []job.Finding{finding("secondary", fmt.Sprintf(
			"The datum cannot be set up: %v. To do: seed the secondary plane on a face that stands square on the primary one.", err))}}
	}
	r := Result{OK: true, NetworkToDatum: pose, Center: pose.Apply(e.Primary.Point)}
	r.Elements = []Element{e.Primary, e.Secondary}
	if e.To != nil {
		r.Elements = append(r.Elements, *e.To)
	}
	r.Elements = append(r.Elements, e.Origin)
	var squares, points float64
	for _, x := range r.Elements {
		squares += x.RMS * x.RMS * float64(x.Points)
		points += float64(x.Points)
	}
	r.RMS = math.Sqrt(squares / max(1, points))
	r.Cov = e.covariance(pose, r.Center)
	return r
}

// frame returns network → datum.
func (e *Elements) frame() (geom.Pose, error) {
	first := e.Primary.Normal.Unit()
	along := e.Secondary.Normal
	if e.To != nil {
		along = e.To.Point.Sub(e.Secondary.Point).Unit()
	}
	across := along.Sub(first.Scale(along.Dot(first)))
	if across.Norm() < squareEnough {
		return geom.Pose{}, errNotSquare
	}
	a, b := e.PrimaryAxis.Index(), e.SecondaryAxis.Index()
	if a == b {
		return geom.Pose{}, fmt.Errorf("primary and secondary element both hold the axis %s", e.PrimaryAxis)
	}
	c := 3 - a - b
	var rows [3]geom.Vec
	rows[a], rows[b] = first.Scale(e.PrimaryAxis.Sign()), across.Unit().Scale(e.SecondaryAxis.Sign())
	rows[c] = rows[(c+1)%3].Cross(rows[(c+2)%3])
	r := geom.Rows(rows[0], rows[1], rows[2])
	// What the secondary element sets to zero: a plane its own coordinate, a line the
	// one across it.
	held, open := b, c
	if e.To != nil {
		held, open = c, b
	}
	var t [3]float64
	t[a] = -rows[a].Dot(e.Primary.Point)
	t[held] = -rows[held].Dot(e.Secondary.Point)
	t[open] = -rows[open].Dot(e.Origin.Point)
	return geom.Pose{R: r, T: geom.FromArray(t)}, nil
}

// covariance carries the elements' uncertainties through to the pose: each
// independent deviation of an element moves the frame a little, and the squares
// of these motions add up (GUM, JCGM 100:2008, 5.1.2, with numeric derivatives).
func (e *Elements) covariance(pose geom.Pose, center geom.Vec) fit.Mat6 {
	var cov fit.Mat6
	for _, changed := range e.deviations() {
		moved, err := changed.frame()
		if err != nil {
			continue // an element held so badly that one sigma upsets it was refused before
		}
		change := moved.After(pose.Inverse()) // datum → datum as it would be
		w := geom.RotVecOf(change.R)
		d := change.Apply(center).Sub(center)
		v := [6]float64{w.X, w.Y, w.Z, d.X, d.Y, d.Z}
		for i := range 6 {
			for j := range 6 {
				cov[6*i+j] += v[i] * v[j]
			}
		}
	}
	return cov
}

// deviations lists the elements changed by one standard deviation in each of
// their principal directions.
func (e *Elements) deviations() []Elements {
	var out []Elements
	each := func(cov geom.Mat, apply func(x *Elements, d geom.Vec)) {
		values, axes := geom.Eigen(cov)
		for k, v := range values.Array() {
			if v > 0 {
				x := *e
				apply(&x, axes.Col(k).Scale(math.Sqrt(v)))
				out = append(out, x)
			}
		}
	}
	each(e.Primary.PointCov, func(x *Elements, d geom.Vec) { x.Primary.Point = x.Primary.Point.Add(d) })
	each(e.Primary.NormalCov, func(x *Elements, d geom.Vec) { x.Primary.Normal = x.Primary.Normal.Add(d) })
	each(e.Secondary.PointCov, func(x *Elements, d geom.Vec) { x.Secondary.Point = x.Secondary.Point.Add(d) })
	each(e.Origin.PointCov, func(x *Elements, d geom.Vec) { x.Origin.Point = x.Origin.Point.Add(d) })
	if e.To == nil {
		each(e.Secondary.NormalCov, func(x *Elements, d geom.Vec) { x.Secondary.Normal = x.Secondary.Normal.Add(d).Unit() })
		return out
	}
	each(e.To.PointCov, func(x *Elements, d geom.Vec) {
		to := *x.To
		to.Point = to.Point.Add(d)
		x.To = &to
	})
	return out
}
