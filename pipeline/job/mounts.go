package job

import (
	"fmt"
	"math"
	"slices"

	"go.yaml.in/yaml/v3"

	"trammel/pipeline/geom"
)

// Feature is what a mount is expected to be.
type Feature string

// The features that can be measured.
const (
	Hole        Feature = "hole"        // round, through or blind
	Slot        Feature = "slot"        // long, with round ends
	Countersink Feature = "countersink" // a hole with a cone at the face
	Threaded    Feature = "threaded"    // a hole with a thread
	Stud        Feature = "stud"
	Boss        Feature = "boss"
	Plane       Feature = "plane"
	Pattern     Feature = "pattern" // several holes in one face
)

// Shape is how the holes of a pattern lie.
type Shape string

// The shapes of patterns.
const (
	OnCircle    Shape = "circle"    // evenly round a bolt circle
	OnRectangle Shape = "rectangle" // four corners
	Listed      Shape = "list"      // as Mount.Places says
)

// Mount is a place where a part will be bolted on.
type Mount struct {
	Name     string
	Near     geom.Vec // in the datum frame
	Within   float64  // search radius
	Expect   Feature
	Diameter float64 // nominal; of a pattern's holes; 0 when the sheet is silent

	Width  float64 `json:",omitempty"` // of a slot, nominal; 0 when the sheet is silent
	Length float64 `json:",omitempty"` // of a slot over all, nominal; 0 when the sheet is silent

	Holes  int        `json:",omitempty"` // of a pattern
	Shape  Shape      `json:",omitempty"` // of a pattern
	Circle float64    `json:",omitempty"` // bolt-circle diameter, nominal; 0 when the sheet is silent
	Pitch  []float64  `json:",omitempty"` // the two sides of a rectangle, nominal; nil when the sheet is silent
	Places []geom.Vec `json:",omitempty"` // nominal places of a list, in the datum frame

	At       *geom.Vec `json:",omitempty"` // nominal place, in the datum frame; Near where the sheet is silent
	Position float64   `json:",omitempty"` // diameter of the tolerance zone about it, ISO 1101; 0 for none
}

// Nominal is where the mount should be.
func (m *Mount) Nominal() geom.Vec {
	if m.At != nil {
		return *m.At
	}
	return m.Near
}

// MemberName is the name of hole i, counted from 1, of a pattern.
func (m *Mount) MemberName(i int) string { return fmt.Sprintf("%s-%d", m.Name, i) }

func (d *decoder) mounts(into *[]Mount) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		names := map[string]bool{}
		d.list(n, key, func(n *yaml.Node, key string) {
			m := d.mount(n, key)
			d.once(n, key, m.Name, names)
			*into = append(*into, m)
		})
		for i := range *into {
			m := &(*into)[i]
			for k := range m.Holes {
				if member := m.MemberName(k + 1); names[member] {
					d.bad(n, fmt.Sprintf("%s[%d].name", key, i), "rename one of the two", "hole %d of the pattern will be called %q, and so is another mount", k+1, member)
				}
			}
		}
	}
}

// most holes of a pattern: a ring of a large slewing bearing (common practice, no
// source).
const mostHoles = 100

func (d *decoder) mount(n *yaml.Node, key string) Mount {
	var m Mount
	before := len(d.problems)
	d.mapping(n, key,
		field{"name", true, d.name(&m.Name)},
		field{"near", true, point(d, &m.Near)},
		field{"within", true, lengthIn(d, &m.Within, radius)},
		field{"expect", true, choice(d, &m.Expect, Hole, Slot, Countersink, Threaded, Stud, Boss, Plane, Pattern)},
		field{"diameter", false, lengthIn(d, &m.Diameter, mountSize)},
		field{"width", false, lengthIn(d, &m.Width, mountSize)},
		field{"length", false, lengthIn(d, &m.Length, mountSize)},
		field{"holes", false, count(d, &m.Holes, 2)},
		field{"shape", false, choice(d, &m.Shape, OnCircle, OnRectangle, Listed)},
		field{"circle", false, lengthIn(d, &m.Circle, mountSize)},
		field{"pitch", false, d.pitch(&m.Pitch)},
		field{"places", false, d.places(&m.Places)},
		field{"at", false, d.optionalPoint(&m.At)},
		field{"position", false, lengthIn(d, &m.Position, zoneSize)},
	)
	if len(d.problems) == before {
		d.fitting(n, key, &m)
		d.pattern(n, key, &m)
	}
	return m
}

func (d *decoder) pitch(into *[]float64) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		if n.Kind != yaml.SequenceNode || len(n.Content) != 2 {
			d.bad(n, key, "write the two sides of the rectangle, such as [220 mm, 180 mm]", "%s is not two lengths", describe(n))
			return
		}
		*into = make([]float64, 2)
		for i, c := range n.Content {
			lengthIn(d, &(*into)[i], mountSize)(c, fmt.Sprintf("%s[%d]", key, i))
		}
	}
}

func (d *decoder) places(into *[]geom.Vec) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		d.list(n, key, func(n *yaml.Node, key string) {
			var p geom.Vec
			point(d, &p)(n, key)
			*into = append(*into, p)
		})
	}
}

// fitting refuses keys that the expected feature has no use for.
func (d *decoder) fitting(n *yaml.Node, key string, m *Mount) {
	for _, k := range []struct {
		name string
		set  bool
		of   []Feature
	}{
		{"diameter", m.Diameter > 0, []Feature{Hole, Countersink, Threaded, Stud, Boss, Pattern}},
		{"width", m.Width > 0, []Feature{Slot}}, {"length", m.Length > 0, []Feature{Slot}},
		{"holes", m.Holes > 0, []Feature{Pattern}}, {"shape", m.Shape != "", []Feature{Pattern}}, {"circle", m.Circle > 0, []Feature{Pattern}},
		{"pitch", m.Pitch != nil, []Feature{Pattern}}, {"places", m.Places != nil, []Feature{Pattern}},
		{"at", m.At != nil, []Feature{Hole, Slot, Countersink, Threaded, Stud, Boss, Pattern}},
		{"position", m.Position > 0, []Feature{Hole, Slot, Countersink, Threaded, Stud, Boss, Pattern}},
	} {
		if k.set && !slices.Contains(k.of, m.Expect) {
			names := make([]string, len(k.of))
			for i, f := range k.of {
				names[i] = string(f)
			}
			d.bad(n, key+"."+k.name, "leave it out, or expect "+orList(names), "a %s has none", m.Expect)
		}
	}
	if m.Expect == Slot && m.Width > 0 && m.Length > 0 && m.Length <= m.Width {
		d.bad(n, key+".length", "the length goes over all, from end to end", "a slot of %g mm is not longer than its width of %g mm", m.Length, m.Width)
	}
}

// pattern completes a pattern and refuses what contradicts itself.
func (d *decoder) pattern(n *yaml.Node, key string, m *Mount) {
	if m.Expect != Pattern {
		return
	}
	if m.Shape == "" {
		d.bad(n, key+".shape", "add shape: circle, rectangle or list", "nothing says how the holes of the pattern lie")
		return
	}
	d.holes(n, key, m)
	for _, k := range []struct {
		name string
		set  bool
		of   Shape
	}{{"circle", m.Circle > 0, OnCircle}, {"pitch", m.Pitch != nil, OnRectangle}, {"places", m.Places != nil, Listed}} {
		if k.set && m.Shape != k.of {
			d.bad(n, key+"."+k.name, "leave it out, or write shape: "+string(k.of), "a pattern of shape %s has none", m.Shape)
		}
	}
	if m.Position > 0 && m.Shape != Listed && m.At == nil {
		d.bad(n, key+".at", "add at: with the nominal place of the pattern's middle", "nothing says where the pattern should be")
	}
	if r := math.Max(m.Circle/2, m.across()/2); r > m.Within {
		d.bad(n, key+".within", fmt.Sprintf("write at least %.0f mm", math.Ceil(r)), "the pattern's holes lie up to %.1f mm from its middle, outside of the search radius of %g mm", r, m.Within)
	}
}

// holes settles how many holes a pattern has.
func (d *decoder) holes(n *yaml.Node, key string, m *Mount) {
	if m.Holes == 0 {
		switch m.Shape {
		case OnRectangle:
			m.Holes = 4
		case Listed:
			m.Holes = len(m.Places)
		case OnCircle:
		}
	}
	least := map[Shape]int{OnCircle: 3, OnRectangle: 4, Listed: 2}[m.Shape]
	switch {
	case m.Holes < least || m.Holes > mostHoles:
		d.bad(n, key+".holes", fmt.Sprintf("write how many there are, from %d to %d", least, mostHoles), "%d holes make no %s", m.Holes, m.Shape)
	case m.Shape == OnRectangle && m.Holes != 4:
		d.bad(n, key+".holes", "write holes: 4, or another shape", "a rectangle has four corners, not %d", m.Holes)
	case m.Shape == Listed && m.Holes != len(m.Places):
		d.bad(n, key+".places", "list each hole's nominal place, such as [[0 mm, 0 mm, 0 mm], [100 mm, 0 mm, 0 mm]]", "%d places are listed for %d holes", len(m.Places), m.Holes)
	}
}

// across is the diagonal of a rectangle of holes.
func (m *Mount) across() float64 {
	if len(m.Pitch) != 2 {
		return 0
	}
	return math.Hypot(m.Pitch[0], m.Pitch[1])
}
