package report

import (
	"fmt"
	"math"
	"strings"

	"trammel/pipeline/job"
	"trammel/pipeline/length"
)

func surfaceSection(r *Report, p *Pictures, f figures) section {
	s := section{ID: "surface", Title: "Surface"}
	if r.Mesh.Triangles == 0 {
		s.Text = []string{"No surface was built."}
		return s
	}
	s.Text = []string{"The deviation is measured in both directions between the fused and the reduced mesh. Nothing is made up where nothing was seen, so the surface is open there.",
		stickerText(r, f)}
	for i, x := range p.Renders {
		s.Figures = append(s.Figures, figure{Caption: x.Caption, PNG: x.PNG, Wide: i == 0})
	}
	for _, x := range []*Picture{p.Departure, p.FromRaw, p.CloseUp} {
		if x != nil {
			s.Figures = append(s.Figures, figure{Caption: x.Caption, PNG: x.PNG, Wide: true})
		}
	}
	for _, x := range p.Seam {
		s.Figures = append(s.Figures, figure{Caption: x.Caption, PNG: x.PNG, Wide: true})
	}
	s.Tables = []table{meshTable(&r.Mesh, f)}
	s.Tables = append(s.Tables, leftOut(&r.Mesh, f)...)
	if len(r.Mesh.Fusion.Closed) > 0 {
		s.Text = append(s.Text, closedText(&r.Mesh, f))
	}
	if seam := r.Mesh.Fusion.Seam; seam.Area > 0 {
		s.Text = append(s.Text, seamText(seam, f)...)
	}
	if len(r.Mesh.Raw) > 0 {
		s.Text = append(s.Text, "Against the scans, their points are averaged over a fusion cell, and those at depth edges are left out. Beyond counts points further than five cells away: not of the object, or not in the mesh.")
		s.Tables = append(s.Tables, rawTable(&r.Mesh, f))
	}
	return s
}

func meshTable(m *Mesh, f figures) table {
	t := table{Caption: "The mesh in numbers", Columns: []column{{Name: "What", Share: 6}, {Name: "Value", Share: 8}}}
	t.Groups = []group{
		one("Triangles", grouped(int64(m.Triangles))),
		one("Triangles before it was reduced", grouped(int64(m.FusedTriangles))),
		one("Largest deviation, two-sided", f.named(m.Deviation.Max)),
		one("where that is", place(m.Deviation.At, f)),
		one("rms deviation", f.named(m.Deviation.RMS)),
		one("Points fused", grouped(m.Fusion.Points)),
		one("Points outside the object's box", grouped(m.Fusion.Trimmed)),
		one("Floating pieces left out", fmt.Sprintf("%s, %s in all", grouped(int64(m.Fusion.Crumbs)), area(m.Fusion.CrumbArea, f.unit))),
		one("Area", area(m.Area, f.unit)),
		one("Edges of openings", grouped(int64(m.BoundaryEdges))),
		one("Edges with more than two triangles", grouped(int64(m.NonManifoldEdges))),
		one("Smallest X, Y, Z", place(m.Bounds.Min, f)),
		one("Largest X, Y, Z", place(m.Bounds.Max, f)),
	}
	return t
}

// area shows square metres to a square centimetre, anything smaller as whole ones.
func area(x float64, u length.Unit) string {
	if u == length.Metre {
		return fixed(x, 4) + " m²"
	}
	return grouped(int64(math.Round(x))) + " " + string(u) + "²"
}

func place(v Vec3, f figures) string { return beside(v, ", ", f.at) + " " + string(f.unit) }

func filesSection(r *Report, f figures) section {
	s := section{ID: "files", Title: "Files"}
	if len(r.Files) == 0 {
		s.Text = []string{"There are no scans."}
		return s
	}
	s.Text = []string{"Checksums are shortened to their first 16 digits; the JSON report has them in full. The size is that of the smallest box along the file's own axes."}
	t := table{Caption: "Raw scans", Columns: []column{{Name: "File", Share: 6}, {Name: "Kind", Share: 2}, {Name: "Points,\ntriangles", Share: 2.8, Number: true}, {Name: "Units", Share: 4.6},
		{Name: f.in("Size"), Share: 2.4, Number: true}, {Name: "SHA-256,\nbytes", Share: 4.2}}}
	for _, x := range r.Files {
		t.Groups = append(t.Groups, fileGroup(x, f))
	}
	s.Tables = []table{t}
	return s
}

func fileGroup(x File, f figures) group {
	count := grouped(x.Points)
	if x.Triangles > 0 {
		count += "\n" + grouped(x.Triangles)
	}
	name := x.Path
	if x.SameAs != "" {
		name += "\nsame content as " + x.SameAs + ", which is used instead"
	}
	g := one(name, string(x.Kind), count, unitsText(x.Units), size(x.Bounds, f), short(x.SHA256)+"\n"+grouped(x.Bytes)+" B")
	if job.Holds(x.Findings) {
		g.Mark = job.Hold
	}
	return g
}

// size is empty for a file without points.
func size(b Bounds, f figures) string {
	if b.Min == b.Max {
		return ""
	}
	return each(Vec3{b.Max[0] - b.Min[0], b.Max[1] - b.Min[1], b.Max[2] - b.Min[2]}, f.coarse)
}

func unitsText(u UnitsOf) string {
	var parts []string
	if u.Declared != length.Unknown {
		parts = append(parts, "declared "+string(u.Declared))
	}
	if u.Measured != length.Unknown {
		parts = append(parts, "measured "+string(u.Measured))
	}
	if u.Basis != "" {
		parts = append(parts, "by "+u.Basis)
	}
	if len(parts) == 0 {
		return "unknown"
	}
	return strings.Join(parts, "\n")
}

func short(sum string) string {
	const digits = 16
	if len(sum) <= digits {
		return sum
	}
	return sum[:digits] + "…"
}

func unitsSection(r *Report) section {
	s := section{ID: "units", Title: "Units and axes"}
	s.Text = []string{
		"Every length here, in the other reports and in the meshes is in " + unitName(r.Units) + "; angles are in degrees. Only the bar in a picture has its own unit beside it.",
		"The axes are " + axes(r) + ".",
		"STL files hold no unit: choose " + string(figuresOf(r.Units).unit) + " when one is opened.",
	}
	return s
}

func cautionsSection() section {
	return section{ID: "cautions", Title: "Cautions", List: Cautions()}
}

// sightingsSection lists the spheres as each scan alone shows them.
func sightingsSection(r *Report, f figures) section {
	s := section{ID: "sightings", Title: "Appendix: spheres as each scan shows them"}
	t := table{Caption: "Spheres in the frame of their own file", Columns: []column{{Name: "File", Share: 4}, {Name: f.in("X"), Share: 2.3, Number: true}, {Name: f.in("Y"), Share: 2.3, Number: true}, {Name: f.in("Z"), Share: 2.3, Number: true},
		{Name: f.in("u of X, Y, Z"), Share: 3.6, Number: true}, {Name: f.in("Ø"), Share: 2.2, Number: true}, {Name: f.in("rms"), Share: 2, Number: true}, {Name: "Points", Share: 1.9, Number: true}, {Name: "Cap", Share: 1.6, Number: true}, {Name: "Used", Share: 1.4}}}
	for _, x := range r.Files {
		if len(x.Spheres) == 0 {
			continue
		}
		g := group{Name: x.Path}
		for _, b := range x.Spheres {
			g.Rows = append(g.Rows, []string{f.at(b.Center[0]), f.at(b.Center[1]), f.at(b.Center[2]), beside(b.Sigma, "  ", f.fine), f.at(b.Diameter), f.at(b.RMS), grouped(int64(b.Points)), fixed(b.Cap, 0) + "°", yesNo(b.Used)})
		}
		t.Groups = append(t.Groups, g)
	}
	if len(t.Groups) == 0 {
		s.Text = []string{"No scan shows a sphere."}
		return s
	}
	s.Text = []string{"Cap is the angle of the sphere's surface that was seen."}
	s.Tables = []table{t}
	return s
}
