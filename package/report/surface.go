package report

import (
	"fmt"

	"trammel/pipeline"
	"trammel/pipeline/fuse"
)

// Fusion says what went into the fused mesh and what was done to it. Areas are in the
// job's units, squared.
type Fusion struct {
	Points    int64    `json:"points"`  // used
	Trimmed   int64    `json:"trimmed"` // outside the box of the object
	Scans     []Tally  `json:"scans"`   // what became of the points of each
	Ghosts    []Ghost  `json:"ghosts"`  // surface of one scan that others looked through, left out; the largest
	Crumbs    int      `json:"crumbs"`  // floating pieces left out
	CrumbArea float64  `json:"crumb_area"`
	Pieces    []Piece  `json:"pieces"` // the largest of the crumbs
	Closed    []Hole   `json:"closed"` // holes that were closed: surface that nobody saw
	Doubles   []Double `json:"doubles"`
	Seam      Seam     `json:"seam"`
}

// Tally says what became of a scan's points: read are the sum of the others.
type Tally struct {
	Path        string  `json:"path"`
	Read        int64   `json:"read"`
	Edges       int64   `json:"edges"`        // at depth edges, where mixed pixels are, or alone
	Flat        int64   `json:"flat"`         // seen too flatly
	Hidden      int64   `json:"hidden"`       // on stickers that gave way to bare skin
	Outside     int64   `json:"outside"`      // of the box of the object: floor, stands, surroundings
	OutsideArea float64 `json:"outside_area"` // surface that they stand for
	Used        int64   `json:"used"`
}

// Ghost is a piece of surface that one scan shows and others looked through.
type Ghost struct {
	At   Vec3    `json:"at"`
	Area float64 `json:"area"`
	Path string  `json:"path"` // of the scan
}

// Piece is a floating piece of surface that was left out.
type Piece struct {
	At   Vec3    `json:"at"`
	Area float64 `json:"area"`
}

// Hole is one that the sheet had closed.
type Hole struct {
	At   Vec3    `json:"at"`
	Size float64 `json:"size"` // the largest distance between two of its corners
	Area float64 `json:"area"`
}

// Double is a place where one surface is in the mesh twice.
type Double struct {
	At   Vec3    `json:"at"`
	Area float64 `json:"area"`
	Gap  float64 `json:"gap"`
}

// MeshLevel is a coarser mesh of the package.
type MeshLevel struct {
	Triangles int       `json:"triangles"`
	Deviation Deviation `json:"deviation"`
}

// RawDistance says how far the points of a scan, averaged over a fusion cell, lie from the
// reduced mesh.
type RawDistance struct {
	Path   string  `json:"path"`
	Points int     `json:"points"` // within five cells of the mesh
	Beyond int     `json:"beyond"` // further away: not of the object, or not in the mesh
	Median float64 `json:"median"` // signed, positive outside
	RMS    float64 `json:"rms"`
	P999   float64 `json:"p999"` // 99.9 % are closer
	Max    float64 `json:"max"`
	At     Vec3    `json:"at"` // where the largest is
}

func fusionOf(f fuse.Stats, path func(view int) string, feather float64, s scale) Fusion {
	area := func(mm2 float64) float64 { return tidy(mm2 * float64(s) * float64(s)) }
	out := Fusion{Points: f.Points, Trimmed: f.Trimmed, Crumbs: f.Crumbs, CrumbArea: area(f.Area), Scans: []Tally{}, Ghosts: []Ghost{}, Pieces: []Piece{}, Closed: []Hole{}, Doubles: []Double{}}
	out.Seam = seamOf(f.Seam, feather, s)
	for _, v := range f.Views {
		out.Scans = append(out.Scans, Tally{path(v.View), v.Read, v.Edges, v.Flat, v.Hidden, v.Outside, area(v.OutsideArea), v.Used})
	}
	for _, g := range f.Ghosts {
		out.Ghosts = append(out.Ghosts, Ghost{s.vec(g.Center), area(g.Area), path(g.View)})
	}
	for _, p := range f.Pieces {
		out.Pieces = append(out.Pieces, Piece{s.vec(p.At), area(p.Area)})
	}
	for _, h := range f.Closed {
		out.Closed = append(out.Closed, Hole{s.vec(h.Center), s.length(h.Size), area(h.Area)})
	}
	for _, d := range f.Doubles {
		out.Doubles = append(out.Doubles, Double{s.vec(d.Center), area(d.Area), s.length(d.Gap)})
	}
	return out
}

// surfaceOf completes what is said of the mesh.
func (m *Mesh) surfaceOf(b *pipeline.Built, s scale) {
	m.Fusion, m.Levels, m.Raw = fusionOf(b.Mesh.Fusion, pathOf(b), featherOf(b), s), []MeshLevel{}, []RawDistance{}
	for _, l := range b.Levels {
		m.Levels = append(m.Levels, MeshLevel{l.Surface.Triangles(), Deviation{s.length(l.DeviationMax), s.length(l.DeviationRMS), s.vec(l.DeviationAt)}})
	}
	for _, d := range b.Mesh.Raw {
		m.Raw = append(m.Raw, RawDistance{b.Files[d.File].Path, d.Points, d.Beyond, s.length(d.Median), s.length(d.RMS), s.length(d.P999), s.length(d.Max), s.vec(d.MaxAt)})
	}
}

// pathOf names the scan of a view of the fusion.
func pathOf(b *pipeline.Built) func(view int) string {
	return func(view int) string {
		if view < 0 || view >= len(b.Mesh.FusedFiles) {
			return ""
		}
		return b.Files[b.Mesh.FusedFiles[view]].Path
	}
}

// leftOut lists what was left out of the mesh: points scan by scan, and pieces of surface.
func leftOut(m *Mesh, f figures) []table {
	if len(m.Fusion.Scans) == 0 {
		return nil
	}
	points := table{Caption: "What became of the scans' points", Columns: []column{{Name: "Scan", Share: 6}, {Name: "Read", Share: 3, Number: true}, {Name: "At depth edges,\nor alone", Share: 3, Number: true}, {Name: "Seen too\nflatly", Share: 2.4, Number: true},
		{Name: "On replaced\nstickers", Share: 2.4, Number: true}, {Name: "Outside\nthe box", Share: 3, Number: true}, {Name: "their area", Share: 3, Number: true}, {Name: "Used", Share: 3, Number: true}}}
	all := Tally{Path: "all"}
	row := func(x Tally) {
		points.Groups = append(points.Groups, one(x.Path, grouped(x.Read), grouped(x.Edges), grouped(x.Flat), grouped(x.Hidden), grouped(x.Outside), area(x.OutsideArea, f.unit), grouped(x.Used)))
	}
	for _, x := range m.Fusion.Scans {
		row(x)
		all = Tally{all.Path, all.Read + x.Read, all.Edges + x.Edges, all.Flat + x.Flat, all.Hidden + x.Hidden, all.Outside + x.Outside, all.OutsideArea + x.OutsideArea, all.Used + x.Used}
	}
	row(all)
	pieces := table{Caption: fmt.Sprintf("Surface that was left out, the largest pieces: %s floating, %s in all; %s that others looked through", plural(m.Fusion.Crumbs, "piece", "pieces"), area(m.Fusion.CrumbArea, f.unit), plural(len(m.Fusion.Ghosts), "piece", "pieces")),
		Columns: []column{{Name: "What", Share: 8}, {Name: "Area", Share: 3, Number: true}, {Name: f.in("X, Y, Z"), Share: 5, Number: true}}}
	for _, g := range m.Fusion.Ghosts {
		pieces.Groups = append(pieces.Groups, one("others looked through it; only "+g.Path+" shows it", area(g.Area, f.unit), beside(g.At, ", ", f.at)))
	}
	for _, p := range m.Fusion.Pieces {
		pieces.Groups = append(pieces.Groups, one("floating, smaller than 64 faces of a cell", area(p.Area, f.unit), beside(p.At, ", ", f.at)))
	}
	if len(pieces.Groups) == 0 {
		return []table{points}
	}
	return []table{points, pieces}
}

// rawTable shows how well the mesh meets what was measured.
func rawTable(m *Mesh, f figures) table {
	t := table{Caption: "The scans' points against the reduced mesh", Columns: []column{{Name: "Scan", Share: 6}, {Name: "Points", Share: 3, Number: true}, {Name: "Beyond", Share: 2, Number: true},
		{Name: f.in("median"), Share: 2, Number: true}, {Name: f.in("rms"), Share: 2, Number: true}, {Name: "99.9 %", Share: 2, Number: true}, {Name: "Largest", Share: 2, Number: true}, {Name: "where", Share: 5, Number: true}}}
	for _, d := range m.Raw {
		t.Groups = append(t.Groups, one(d.Path, grouped(int64(d.Points)), grouped(int64(d.Beyond)), f.fine(d.Median), f.fine(d.RMS), f.fine(d.P999), f.fine(d.Max), beside(d.At, ", ", f.at)))
	}
	return t
}

// closedText says what was made up, on request.
func closedText(m *Mesh, f figures) string {
	var sum float64
	for _, h := range m.Fusion.Closed {
		sum += h.Area
	}
	return fmt.Sprintf("%s closed, as the job sheet asks: %s of surface there was seen by nobody. In object.ply its faces have the property closed and a colour of their own, in object.glb it is a mesh of its own.", plural(len(m.Fusion.Closed), "hole was", "holes were"), area(sum, f.unit))
}
