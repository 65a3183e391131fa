package job

import (
	"go.yaml.in/yaml/v3"

	"trammel/pipeline/geom"
)

func (d *decoder) datum(into **Datum) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		t := &Datum{}
		before := len(d.problems)
		d.mapping(n, key,
			field{"method", true, choice(d, &t.Method, Control, Planes, Mirror)},
			field{"points", false, d.controlPoints(&t.Points)},
		)
		*into = t
		if len(d.problems) > before {
			return
		}
		if t.Method != Control {
			d.bad(n, key+".method", "use method: control with the known coordinates of at least three reference spheres",
				"the method %s is not built yet in this version", t.Method)
			return
		}
		d.spread(n, key+".points", t.Points)
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
