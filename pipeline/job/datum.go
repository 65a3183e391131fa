package job

import (
	"go.yaml.in/yaml/v3"

	"trammel/pipeline/geom"
)

func (d *decoder) datum(into **Datum) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		t := &Datum{Up: UpFloor}
		before := len(d.problems)
		d.mapping(n, key,
			field{"method", true, choice(d, &t.Method, Control, Planes, Mirror)},
			field{"points", false, d.controlPoints(&t.Points)},
			field{"primary", false, d.pick(&t.Primary, Plane, "Z")},
			field{"secondary", false, d.pick(&t.Secondary, Plane, "")},
			field{"origin", false, d.pick(&t.Origin, Hole, "")},
			field{"floor", false, d.pick(&t.Floor, Plane, "Z")},
			field{"up", false, choice(d, &t.Up, UpFloor, UpWheels)},
			field{"wheels", false, d.wheels(&t.Wheels)},
			field{"toward", false, d.optionalPoint(&t.Toward)},
		)
		*into = t
		if len(d.problems) > before {
			return
		}
		switch t.Method {
		case Control:
			d.spread(n, key+".points", t.Points)
		case Planes:
			d.threeElements(n, key, t)
		case Mirror:
			if t.Origin == nil {
				d.bad(n, key+".origin", "add origin: {seed: [1 m, 0 m, 0.5 m], radius: 60 mm, expect: hole}", "nothing says where X is zero")
			}
		}
		d.standing(n, key, t)
	}
}

// standing checks that wheels are named where they hold Z, and only there.
func (d *decoder) standing(n *yaml.Node, key string, t *Datum) {
	const want = "name three wheels or more: wheels: [{seed: [1 m, 0.8 m, 0.4 m], radius: 500 mm}, ...], each seed near a hub, each radius a little beyond the tread"
	switch {
	case t.Up == UpWheels && t.Method != Mirror:
		d.bad(n, key+".up", "leave it out, or use method: mirror", "the wheels hold Z for the method mirror alone")
	case t.Up == UpWheels && len(t.Wheels) < 3:
		d.bad(n, key+".wheels", want, "%d wheels cannot hold a plane", len(t.Wheels))
	case t.Up != UpWheels && len(t.Wheels) > 0:
		d.bad(n, key+".up", "add up: wheels, or leave the wheels out", "wheels are named, but Z comes from the floor")
	}
}

// wheels decodes where wheels are.
func (d *decoder) wheels(into *[]Wheel) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		d.list(n, key, func(n *yaml.Node, key string) {
			var w Wheel
			d.mapping(n, key,
				field{"seed", true, point(d, &w.Seed)},
				field{"radius", true, lengthIn(d, &w.Radius, radius)},
			)
			*into = append(*into, w)
		})
	}
}

// threeElements checks that 3-2-1 elements are there and hold different axes.
func (d *decoder) threeElements(n *yaml.Node, key string, t *Datum) {
	for _, e := range []struct {
		name string
		pick *Pick
	}{{"primary", t.Primary}, {"secondary", t.Secondary}, {"origin", t.Origin}} {
		if e.pick == nil {
			d.bad(n, key+"."+e.name, "add "+e.name+": {seed: [1 m, 0 m, 0.5 m], radius: 100 mm}", "the method planes needs a primary plane, a secondary plane or line, and an origin")
		}
	}
	if t.Primary == nil || t.Secondary == nil {
		return
	}
	if t.Secondary.Axis == "" {
		t.Secondary.Axis = "Y" // a plane's normal; a line runs along X
		if t.Secondary.To != nil {
			t.Secondary.Axis = "X"
		}
	}
	if t.Primary.Axis.Index() == t.Secondary.Axis.Index() {
		d.bad(n, key+".secondary.axis", "give it an axis that the primary plane does not hold", "primary and secondary element are both along %s", t.Primary.Axis)
	}
}

// pick decodes an element: a seed and a radius, and what is to be found there.
func (d *decoder) pick(into **Pick, expect Feature, axis Axis) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		p := &Pick{Axis: axis, Expect: expect}
		d.mapping(n, key,
			field{"seed", true, point(d, &p.Seed)},
			field{"radius", true, lengthIn(d, &p.Radius, radius)},
			field{"axis", false, choice(d, &p.Axis, Axes()...)},
			field{"to", false, d.optionalPoint(&p.To)},
			field{"expect", false, choice(d, &p.Expect, Hole, Stud, Boss, Plane)},
		)
		if p.To != nil && p.Expect == Plane {
			p.Expect = Hole
		}
		*into = p
	}
}

func (d *decoder) optionalPoint(into **geom.Vec) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		var p geom.Vec
		point(d, &p)(n, key)
		*into = &p
	}
}

func (d *decoder) controlPoints(into *[]ControlPoint) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		names := map[string]bool{}
		d.list(n, key, func(n *yaml.Node, key string) {
			var p ControlPoint
			d.mapping(n, key,
				field{"name", true, d.name(&p.Name)},
				field{"at", true, point(d, &p.At)},
			)
			d.once(n, key, p.Name, names)
			*into = append(*into, p)
		})
	}
}

// spread refuses control points that cannot hold a frame: fewer than three, or
// all on one line to within a hundredth of their extent.
func (d *decoder) spread(n *yaml.Node, key string, points []ControlPoint) {
	const want = "name at least three spheres that do not stand in one line, better four or more around the object and at different heights"
	if len(points) < 3 {
		d.bad(n, key, want, "%d control points cannot hold a frame", len(points))
		return
	}
	var mean geom.Vec
	for _, p := range points {
		mean = mean.Add(p.At.Scale(1 / float64(len(points))))
	}
	var scatter geom.Mat
	for _, p := range points {
		scatter = scatter.Add(geom.Outer(p.At.Sub(mean), p.At.Sub(mean)))
	}
	spread, _ := geom.Eigen(scatter)
	if spread.Y <= 1e-4*spread.Z {
		d.bad(n, key, want, "the control points stand in one line")
	}
}
