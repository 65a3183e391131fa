package format

import (
	"trammel/pipeline/format/glb"
	"trammel/pipeline/length"
)

// glbReader hands on what package glb reads. The format's unit is the metre, and
// its frame has Y up; both are passed on as they stand.
type glbReader struct {
	file    *glb.File
	portion glb.Portion
}

func (r *Reader) newGLB() (*glbReader, error) {
	at, size, err := r.random()
	if err != nil {
		return nil, err
	}
	f, err := glb.Open(at, size)
	if err != nil {
		return nil, err
	}
	a := &r.about
	a.Encoding, a.Units = "binary little-endian", length.Metre
	a.Points, a.Triangles, a.Mesh = f.Points(), f.Triangles(), f.Triangles() > 0
	a.Notes = append(a.Notes, f.Notes()...)
	return &glbReader{file: f}, nil
}

// next exchanges the slices of the batch and the portion instead of copying.
func (g *glbReader) next(b *Batch) error {
	p := &g.portion
	p.X, p.Y, p.Z, p.NX, p.NY, p.NZ, p.RGB, p.Tri = b.X, b.Y, b.Z, b.NX, b.NY, b.NZ, b.RGB, b.Tri
	err := g.file.Next(p)
	b.X, b.Y, b.Z, b.NX, b.NY, b.NZ, b.RGB, b.Tri = p.X, p.Y, p.Z, p.NX, p.NY, p.NZ, p.RGB, p.Tri
	return err
}
