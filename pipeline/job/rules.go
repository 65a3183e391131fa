package job

import (
	"fmt"
	"math"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
)

// The limits within which a value is possible. They are wide: they catch a wrong
// unit or a slip of the comma, not a bad choice (common practice, no source).
var (
	sphereSize = limits{5, 1000, "the diameter of a reference sphere"}
	sphereTol  = limits{0.001, 50, "the tolerance of a sphere's diameter"}
	noiseSize  = limits{0.0001, 100, "the range noise of a scanner"}
	voxelSize  = limits{0.02, 1000, "a fusion cell"}
	deviation  = limits{0.0001, 1000, "the deviation of a reduced mesh"}
	targetSize = limits{2, 50, "the diameter of a sticker"}
	closeSize  = limits{0.1, 1000, "a hole to be closed"}
	feather    = limits{0.1, 1000, "the width of a seam"}
	radius     = limits{0.1, 10000, "a search radius"}
	mountSize  = limits{0.1, 2000, "the diameter of a mount"}
	zoneSize   = limits{0.001, 1000, "the diameter of a tolerance zone"}
	spacing    = limits{0.01, 10000, "a point spacing"}
)

func (d *decoder) sheet(n *yaml.Node) *Sheet {
	s := &Sheet{Mesh: Mesh{Voxel: DefaultVoxel, Deviation: DefaultDeviation, Formats: []Format{GLB}, Colour: NoColour, Adapt: true}, Package: PackageWay{Format: "zip"}}
	d.mapping(n, "",
		field{"job", true, d.jobName(&s.Job)},
		field{"title", false, text(d, &s.Title)},
		field{"client", false, text(d, &s.Client)},
		field{"units", true, choice(d, &s.Units, length.Millimetre, length.Centimetre, length.Metre, length.Inch)},
		field{"captured", false, boolean(d, &s.Captured)},
		field{"instruments", true, d.instruments(&s.Instruments)},
		field{"spheres", false, d.spheres(&s.Spheres)},
		field{"targets", false, d.targets(&s.Targets)},
		field{"object", false, d.object(&s.Object)},
		field{"mesh", false, d.mesh(&s.Mesh)},
		field{"datum", false, d.datum(&s.Datum)},
		field{"mounts", false, d.mounts(&s.Mounts)},
		field{"coverage", false, d.coverage(&s.Coverage)},
		field{"package", false, d.packageWay(&s.Package)},
	)
	d.together(n, s)
	return s
}

// together checks what no key can be blamed for alone.
func (d *decoder) together(n *yaml.Node, s *Sheet) {
	if len(d.problems) > 0 {
		return
	}
	d.finer(n, s)
	for i, ins := range s.Instruments {
		if ins.Register == BySpheres && len(s.Spheres) == 0 {
			d.bad(n, "spheres", "add spheres: {diameter: 145 mm, tolerance: 1 mm} with the calibrated values, or register: surface or given",
				"instruments[%d] (%s) is registered by spheres, but the sheet does not say how large they are", i, ins.Name)
		}
	}
	if s.Datum != nil && s.Datum.Method == Control && len(s.Spheres) == 0 {
		d.bad(n, "spheres", "add spheres with their calibrated diameter", "the datum's control points are reference spheres, but the sheet does not say how large they are")
	}
}

var jobNames = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9_.-]{0,99}$`)

func (d *decoder) jobName(into *string) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		s, ok := d.scalar(n, key, "write a name of letters, digits, - _ and .")
		if !ok {
			return
		}
		if !jobNames.MatchString(s) || strings.HasSuffix(s, ".") || reservedName(s) {
			d.bad(n, key, "use letters, digits, - _ and . (a letter, digit or _ first, no dot last, at most 100)", "%q cannot name a package file", s)
			return
		}
		*into = s
	}
}

// reservedName reports whether a file system gives the name to a device
// (RFC 8493, section 6.1.1).
func reservedName(s string) bool {
	base, _, _ := strings.Cut(strings.ToUpper(s), ".")
	switch base {
	case "CON", "PRN", "AUX", "NUL":
		return true
	}
	return len(base) == 4 && (strings.HasPrefix(base, "COM") || strings.HasPrefix(base, "LPT")) && base[3] >= '1' && base[3] <= '9'
}

func (d *decoder) instruments(into *[]Instrument) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		d.list(n, key, func(n *yaml.Node, key string) {
			var i Instrument
			d.instrument(n, key, &i)
			for _, other := range *into {
				d.apart(n, key, i, other)
			}
			*into = append(*into, i)
		})
		if n.Kind == yaml.SequenceNode && len(n.Content) == 0 {
			d.bad(n, key, "name at least one", "the list is empty")
		}
	}
}

func (d *decoder) instrument(n *yaml.Node, key string, i *Instrument) {
	d.mapping(n, key,
		field{"name", true, d.name(&i.Name)},
		field{"kind", true, choice(d, &i.Kind, Station, Tracked)},
		field{"drop", true, d.drop(&i.Drop)},
		field{"register", false, choice(d, &i.Register, BySpheres, BySurface, Given)},
		field{"units", false, choice(d, &i.Units, length.Units()...)},
		field{"expect", false, count(d, &i.Expect, 1)},
		field{"noise", false, lengthIn(d, &i.Noise, noiseSize)},
		field{"prefer", false, boolean(d, &i.Prefer)},
	)
	if i.Register == "" {
		i.Register = BySpheres
		if i.Kind == Tracked {
			i.Register = BySurface
		}
	}
}

// apart checks that two instruments can be told apart by name and by folder.
func (d *decoder) apart(n *yaml.Node, key string, a, b Instrument) {
	if a.Name == b.Name && a.Name != "" {
		d.bad(n, key+".name", "give each instrument its own name", "two instruments are called %q", a.Name)
	}
	if a.Drop == "" || b.Drop == "" {
		return
	}
	if a.Drop == b.Drop || strings.HasPrefix(a.Drop, b.Drop+"/") || strings.HasPrefix(b.Drop, a.Drop+"/") {
		d.bad(n, key+".drop", "give each instrument a folder of its own", "%q and %q (%s) overlap", a.Drop, b.Drop, b.Name)
	}
}

func (d *decoder) name(into *string) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		text(d, into)(n, key)
		if strings.TrimSpace(*into) == "" && n.Kind == yaml.ScalarNode {
			d.bad(n, key, "write a name", "it is empty")
		}
	}
}

func (d *decoder) drop(into *string) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		const want = "write a folder below the job folder, such as scans/tripod"
		s, ok := d.scalar(n, key, want)
		if !ok {
			return
		}
		clean := path.Clean(strings.ReplaceAll(s, `\`, "/"))
		first, _, _ := strings.Cut(clean, "/")
		switch {
		case s == "" || clean == "." || path.IsAbs(clean) || first == ".." || strings.Contains(clean, ":"):
			d.bad(n, key, want, "%q does not lie below the job folder", s)
		case first == "work" || first == "out" || first == "notes":
			d.bad(n, key, want, "%q is a folder that the program keeps for itself", first)
		default:
			*into = clean
		}
	}
}

// spheres takes one kind of spheres, or a list of them.
func (d *decoder) spheres(into *[]Spheres) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		one := func(n *yaml.Node, key string) {
			var s Spheres
			d.sphereKind(&s)(n, key)
			*into = append(*into, s)
		}
		if n.Kind != yaml.SequenceNode {
			one(n, key)
			return
		}
		d.list(n, key, one)
		for i, a := range *into {
			for k, b := range (*into)[:i] {
				if gap := math.Abs(a.Diameter - b.Diameter); a.Diameter > 0 && b.Diameter > 0 && gap < 2*(a.Tolerance+b.Tolerance) {
					d.bad(n, fmt.Sprintf("%s[%d].diameter", key, i), "use spheres that differ clearly, or one kind for all of them",
						"it differs by %g mm from that of %s[%d], which the tolerances of %g and %g mm hardly tell apart", gap, key, k, a.Tolerance, b.Tolerance)
				}
			}
		}
	}
}

func (d *decoder) sphereKind(into *Spheres) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		s := Spheres{Tolerance: DefaultTolerance}
		d.mapping(n, key,
			field{"diameter", true, lengthIn(d, &s.Diameter, sphereSize)},
			field{"tolerance", false, lengthIn(d, &s.Tolerance, sphereTol)},
			field{"expect", false, count(d, &s.Expect, 1)},
		)
		if s.Diameter > 0 && s.Tolerance >= s.Diameter/4 {
			d.bad(n, key+".tolerance", "a calibrated sphere is known to about a millimetre", "%g mm is more than a quarter of the diameter of %g mm", s.Tolerance, s.Diameter)
		}
		*into = s
	}
}

func (d *decoder) object(into **geom.Box) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		var b geom.Box
		d.mapping(n, key, field{"box", true, d.box(&b)})
		*into = &b
	}
}

func (d *decoder) mesh(m *Mesh) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		d.mapping(n, key,
			field{"voxel", false, lengthIn(d, &m.Voxel, voxelSize)},
			field{"triangles", false, count(d, &m.Triangles, 100)},
			field{"deviation", false, lengthIn(d, &m.Deviation, deviation)},
			field{"close", false, lengthIn(d, &m.Close, closeSize)},
			field{"levels", false, d.levels(&m.Levels)},
			field{"formats", false, func(n *yaml.Node, key string) {
				m.Formats = nil
				d.list(n, key, func(n *yaml.Node, key string) {
					var f Format
					choice(d, &f, GLB, ThreeMF)(n, key)
					m.Formats = append(m.Formats, f)
				})
			}},
			field{"colour", false, choice(d, &m.Colour, NoColour, DeviationColour, ScansColour)},
			field{"fine", false, d.fine(&m.Fine)},
			field{"adapt", false, boolean(d, &m.Adapt)},
			field{"feather", false, lengthIn(d, &m.Feather, feather)},
		)
	}
}

// fine reads where cells are smaller.
func (d *decoder) fine(into *[]Fine) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		d.list(n, key, func(n *yaml.Node, key string) {
			var f Fine
			var box geom.Box
			hasBox := false
			before := len(d.problems)
			d.mapping(n, key,
				field{"box", false, func(n *yaml.Node, key string) { hasBox = true; d.box(&box)(n, key) }},
				field{"mount", false, d.name(&f.Mount)},
				field{"voxel", true, lengthIn(d, &f.Voxel, voxelSize)},
			)
			if hasBox {
				f.Box = &box
			}
			if len(d.problems) == before && hasBox == (f.Mount != "") {
				d.bad(n, key, "write box: {min: …, max: …} or mount: NAME", "it must name one place")
			}
			*into = append(*into, f)
		})
	}
}

// finer checks finer cells against the others and the mounts.
func (d *decoder) finer(n *yaml.Node, s *Sheet) {
	for i, f := range s.Mesh.Fine {
		key := fmt.Sprintf("mesh.fine[%d]", i)
		if f.Voxel >= s.Mesh.Voxel || f.Voxel < s.Mesh.Voxel/finestShare {
			d.bad(n, key+".voxel", "write a smaller length, or change mesh.voxel", "cells of %g mm must be smaller than the %g mm elsewhere, and no smaller than %.3g mm", f.Voxel, s.Mesh.Voxel, s.Mesh.Voxel/finestShare)
		}
		if f.Mount != "" && !slices.ContainsFunc(s.Mounts, func(m Mount) bool { return m.Name == f.Mount }) {
			d.bad(n, key+".mount", "name one of the mounts of this sheet", "there is no mount %q", f.Mount)
		}
	}
}

// targets reads the diameters of stickers.
func (d *decoder) targets(into *[]float64) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		d.list(n, key, func(n *yaml.Node, key string) {
			var size float64
			lengthIn(d, &size, targetSize)(n, key)
			*into = append(*into, size)
		})
	}
}

// levels reads falling counts of triangles.
func (d *decoder) levels(into *[]int) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		*into = nil
		d.list(n, key, func(n *yaml.Node, key string) {
			var level int
			count(d, &level, 100)(n, key)
			if k := len(*into); k > 0 && level >= (*into)[k-1] {
				d.bad(n, key, "write the largest first", "%d triangles are no fewer than the %d before", level, (*into)[k-1])
			}
			*into = append(*into, level)
		})
	}
}

func (d *decoder) coverage(into *[]Region) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		names := map[string]bool{}
		d.list(n, key, func(n *yaml.Node, key string) {
			r := Region{Share: DefaultShare}
			d.mapping(n, key,
				field{"name", true, d.name(&r.Name)},
				field{"box", true, d.box(&r.Box)},
				field{"spacing", true, lengthIn(d, &r.Spacing, spacing)},
				field{"share", false, d.share(&r.Share)},
			)
			d.once(n, key, r.Name, names)
			*into = append(*into, r)
		})
	}
}

func (d *decoder) once(n *yaml.Node, key, name string, names map[string]bool) {
	if name != "" && names[name] {
		d.bad(n, key+".name", "give each its own name", "%q stands twice", name)
	}
	names[name] = true
}

func (d *decoder) share(into *float64) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		const want = "write a share above 0 and up to 1, such as 0.95"
		s, ok := d.scalar(n, key, want)
		if !ok {
			return
		}
		v, err := strconv.ParseFloat(s, 64)
		if err != nil || !(v > 0 && v <= 1) {
			d.bad(n, key, want, "%q is not one", s)
			return
		}
		*into = v
	}
}

func (d *decoder) packageWay(p *PackageWay) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		d.mapping(n, key,
			field{"format", false, choice(d, &p.Format, "zip", "tar.zst")},
			field{"raw", false, boolean(d, &p.Raw)},
		)
	}
}
