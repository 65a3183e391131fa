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
	Crumbs    int      `json:"crumbs"`  // floating pieces left out
	CrumbArea float64  `json:"crumb_area"`
	Pieces    []Piece  `json:"pieces"` // the largest of the crumbs
	Closed    []Hole   `json:"closed"` // holes that were closed: surface that nobody saw
	Doubles   []Double `json:"doubles"`
	Seam      Seam     `json:"seam"`
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

func fusionOf(f fuse.Stats, feather float64, s scale) Fusion {
	area := func(mm2 float64) float64 { return tidy(mm2 * float64(s) * float64(s)) }
	out := Fusion{Points: f.Points, Trimmed: f.Trimmed, Crumbs: f.Crumbs, CrumbArea: area(f.Area), Pieces: []Piece{}, Closed: []Hole{}, Doubles: []Double{}}
	out.Seam = seamOf(f.Seam, feather, s)
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
	m.Fusion, m.Levels, m.Raw = fusionOf(b.Mesh.Fusion, featherOf(b), s), []MeshLevel{}, []RawDistance{}
	for _, l := range b.Levels {
		m.Levels = append(m.Levels, MeshLevel{l.Surface.Triangles(), Deviation{s.length(l.DeviationMax), s.length(l.DeviationRMS), s.vec(l.DeviationAt)}})
	}
	for _, d := range b.Mesh.Raw {
		m.Raw = append(m.Raw, RawDistance{b.Files[d.File].Path, d.Points, d.Beyond, s.length(d.Median), s.length(d.RMS), s.length(d.P999), s.length(d.Max), s.vec(d.MaxAt)})
	}
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
