package pipeline

import (
	"fmt"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/network"
)

// Predicted is what registration alone will add to the uncertainty of a place on
// the object, known before anything is measured there.
type Predicted struct {
	Name  string   // a mount, or a corner of the object's box
	At    geom.Vec // in the frame of the deliverables, mm
	Sigma geom.Vec // 1 sigma along its axes, for the set-up that places it worst
}

// predict looks at the mounts and at the corners of the object's box, once the
// network is solved and its frame is known. Without a datum the sheet's places are
// in the network's frame.
func (c *Checked) predict() {
	if c.Network == nil || c.Job.Datum != nil && (c.Datum == nil || !c.Datum.OK) {
		return
	}
	toNetwork := c.ToFrame.Inverse()
	for _, p := range c.places() {
		cov, _, ok := c.Network.Predict(toNetwork.Apply(p.At))
		if !ok {
			continue
		}
		p.Sigma = c.ToFrame.R.Congruent(cov).Sigmas()
		c.Predicted = append(c.Predicted, p)
	}
}

// places lists where the job's numbers will be wanted.
func (c *Checked) places() []Predicted {
	var out []Predicted
	for _, m := range c.Job.Mounts {
		out = append(out, Predicted{Name: m.Name, At: m.Near})
	}
	if b := c.Job.Object; b != nil {
		for i := range 8 {
			name, at := "corner", b.Min
			for axis, label := range [...]string{"X", "Y", "Z"} {
				sign := "-"
				if i>>axis&1 == 1 {
					sign = "+"
					switch axis {
					case 0:
						at.X = b.Max.X
					case 1:
						at.Y = b.Max.Y
					default:
						at.Z = b.Max.Z
					}
				}
				name += " " + sign + label
			}
			out = append(out, Predicted{Name: name, At: at})
		}
	}
	return out
}

// WorstPredicted returns the place with the largest predicted uncertainty.
func (c *Checked) WorstPredicted() (p Predicted, sigma float64) {
	for _, x := range c.Predicted {
		if s := x.Sigma.Norm(); s > sigma {
			p, sigma = x, s
		}
	}
	return p, sigma
}

// Where a further sphere or set-up is tried: so far beside the object's box, at the
// heights of low and high stands above its floor (common practice, no source).
const (
	sphereAside = 800.0
	setUpAside  = 2500.0
)

// ring returns places around the object's box in the network's frame, sixteen at
// each height.
func (c *Checked) ring(aside float64, heights ...float64) []geom.Vec {
	toNetwork := c.ToFrame.Inverse()
	b := c.Job.Object
	middle, half := b.Center(), b.Size().Scale(0.5)
	var out []geom.Vec
	for k := range 16 {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / 16)
		for _, height := range heights {
			at := geom.Vec{X: middle.X + cos*(half.X+aside), Y: middle.Y + sin*(half.Y+aside), Z: b.Min.Z + height}
			out = append(out, toNetwork.Apply(at))
		}
	}
	return out
}

// advise says in a sentence what a further sphere or set-up would do for the place
// that is predicted worst, whichever does more, or nothing where neither would help.
func (c *Checked) advise() string {
	if len(c.Predicted) == 0 || c.Job.Object == nil || c.observed == nil {
		return ""
	}
	toNetwork := c.ToFrame.Inverse()
	var points []geom.Vec
	for _, p := range c.Predicted {
		points = append(points, toNetwork.Apply(p.At))
	}
	what := "One more sphere, seen from every set-up,"
	a, ok := c.Network.Advise(c.observed, points, c.ring(sphereAside, 300, 1200, 2100), network.Options{})
	if s, okSetUp := c.Network.AdviseSetUp(c.observed, points, c.ring(setUpAside, 700, 2000), network.Options{}); okSetUp && (!ok || s.After < a.After) {
		what, a, ok = "The next set-up, with all spheres in view,", s, true
	}
	if !ok {
		return ""
	}
	at := c.ToFrame.Apply(a.At).Scale(1e-3)
	return fmt.Sprintf("%s near (%.1f, %.1f, %.1f) m would lower the largest predicted uncertainty, at %s, from %.2f to %.2f mm.", what, at.X, at.Y, at.Z, c.Predicted[a.Worst].Name, a.Before, a.After)
}
