package surface

import (
	"trammel/pipeline/geom"
	"trammel/pipeline/surface/feature"
)

// fewPlanes is the number of planes that hold six motions and yet say nothing about
// which corner of which object it is: every corner of a box fits every other.
const fewPlanes = 3

// besidePlanes returns the share of the meeting places that lie on none of the
// fewPlanes planes with the most of them.
func (c *comparison) besidePlanes(sourceToTarget geom.Pose) float64 {
	left := c.meeting(sourceToTarget)
	all := len(left.At)
	for range fewPlanes {
		if len(left.At) == 0 {
			return 0
		}
		f := c.plane(left)
		left = f.beside(left)
	}
	return share(len(left.At), max(all, 1))
}

// meeting returns the places of the source, in the target's frame, that meet.
func (c *comparison) meeting(pose geom.Pose) feature.Points {
	var out feature.Points
	for i := 0; i < len(c.source.At); i += 1 + len(c.source.At)/(c.most+1) {
		p, n := pose.Apply(c.source.At[i]), pose.Turn(c.source.Normal[i])
		if c.weigh(p, n, c.target, c.targetIndex) == placeMeets {
			out.At, out.Normal = append(out.At, p), append(out.Normal, n)
		}
	}
	return out
}

// flat is a plane through at with a unit normal, and the distance within which
// places are on it.
type flat struct {
	at, normal geom.Vec
	thick      float64
}

// onPlane is the cosine between the normals of a place and of a plane that it lies on: 18 degrees,
// above what the normals of single scans scatter.
const onPlane = 0.95

func (f *flat) has(p, n geom.Vec) bool {
	d := p.Sub(f.at).Dot(f.normal)
	return n.Dot(f.normal) > onPlane && d < f.thick && d > -f.thick
}

// planeTries is how many places, evenly spread, offer their plane.
const planeTries = 100

// plane returns the plane with the most places: each of some places offers its own
// with the mean of the normals like it, and the best is fitted to what it holds.
func (c *comparison) plane(p feature.Points) flat {
	var best flat
	most := -1
	for i := 0; i < len(p.At); i += 1 + len(p.At)/planeTries {
		f := flat{at: p.At[i], normal: p.Normal[i], thick: clear * c.tolerance}
		for range 3 { // the normal of one place scatters; that of what lies near its plane does less
			f = f.fitted(p)
		}
		if n := f.count(p); n > most {
			best, most = f, n
		}
	}
	return best
}

// fitted moves the plane to the middle of the places that it has, and turns it to the
// mean of their normals.
func (f flat) fitted(p feature.Points) flat {
	var at, normal geom.Vec
	n := 0.0
	for i := range p.At {
		if f.has(p.At[i], p.Normal[i]) {
			at, normal, n = at.Add(p.At[i].Sub(f.at)), normal.Add(p.Normal[i]), n+1
		}
	}
	if n == 0 {
		return f
	}
	return flat{at: f.at.AddScaled(1/n, at), normal: normal.Unit(), thick: f.thick}
}

func (f *flat) count(p feature.Points) int {
	n := 0
	for i := range p.At {
		if f.has(p.At[i], p.Normal[i]) {
			n++
		}
	}
	return n
}

// beside returns the points that are not on the plane.
func (f *flat) beside(p feature.Points) feature.Points {
	var out feature.Points
	for i := range p.At {
		if !f.has(p.At[i], p.Normal[i]) {
			out.At, out.Normal = append(out.At, p.At[i]), append(out.Normal, p.Normal[i])
		}
	}
	return out
}
