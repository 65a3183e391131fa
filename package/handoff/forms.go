package handoff

import (
	"bytes"
	"fmt"
	"io"
	"slices"

	"trammel/package/report"
	"trammel/pipeline"
	"trammel/pipeline/format"
	"trammel/pipeline/format/glb"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/picture"
	"trammel/pipeline/scan"
)

// form is one file of the mesh.
type form struct {
	name  string
	write func(w io.Writer, b *pipeline.Built) error
}

// forms lists the mesh files of a package: PLY and STL always, others as the sheet asks.
func (r Request) forms() []form {
	o := format.WriteOptions{Units: r.Sheet.Units, Comments: []string{"job " + r.Sheet.Job}}
	list := []form{
		{"object.ply", func(w io.Writer, b *pipeline.Built) error {
			return format.WritePLYMesh(w, b.Surface, with(o, b.Closed))
		}},
		{"object.stl", func(w io.Writer, b *pipeline.Built) error {
			near, less := pipeline.ForSTL(b.Surface)
			if less != (geom.Vec{}) {
				o.Comments = append([]string{fmt.Sprintf("less by %.0f %.0f %.0f mm", less.X, less.Y, less.Z)}, o.Comments...)
			}
			return format.WriteSTL(w, near, o)
		}},
	}
	for i, n := range r.Sheet.Mesh.Levels {
		list = append(list, form{fmt.Sprintf("object-%d.ply", n), func(w io.Writer, b *pipeline.Built) error {
			if i >= len(b.Levels) {
				return fmt.Errorf("the mesh of %d triangles was not made", n)
			}
			return format.WritePLYMesh(w, b.Levels[i].Surface, with(o, b.Levels[i].Closed))
		}})
	}
	for _, f := range r.Sheet.Mesh.Formats {
		switch f {
		case job.GLB:
			list = append(list, form{"object.glb", r.writeGLB})
		case job.ThreeMF:
			list = append(list, form{"object.3mf", func(w io.Writer, b *pipeline.Built) error { return format.Write3MF(w, b.Surface, o) }})
		}
	}
	return list
}

func with(o format.WriteOptions, closed []int32) format.WriteOptions {
	o.Closed = closed
	return o
}

// writeGLB writes the mesh below a node that is named after its frame.
func (r Request) writeGLB(w io.Writer, b *pipeline.Built) error {
	frame := &glb.Frame{Name: "network", Pose: geom.IdentityPose()}
	if b.Datum != nil && b.Datum.OK {
		frame.Name = "datum"
	}
	m := glb.Named{Name: "reduced", Mesh: b.Surface}
	var values []float32
	limit := r.Sheet.Mesh.Deviation
	switch r.Sheet.Mesh.Colour {
	case job.DeviationColour:
		values = b.Departure
	case job.ScansColour:
		values, limit = b.FromRaw, report.ScaleEnd(b.FromRaw, report.StrayPoints)
	case job.NoColour:
	}
	for _, d := range values {
		c := picture.Deviation(float64(d), limit)
		m.RGB = append(m.RGB, c.R, c.G, c.B)
	}
	meshes := []glb.Named{m}
	if len(b.Closed) > 0 {
		meshes = splitClosed(m, b.Closed)
	}
	return glb.Write(w, glb.Scene{Generator: "Trammel", Name: r.Sheet.Job, Datum: frame, Meshes: meshes})
}

// splitClosed puts the triangles that close holes into a mesh of their own, in a colour of
// their own.
func splitClosed(m glb.Named, closed []int32) []glb.Named {
	open, cover := *m.Mesh, scan.Mesh{Origin: m.Mesh.Origin}
	open.Tri = nil
	number := map[int32]int32{}
	for t := range int32(m.Mesh.Triangles()) {
		corners := m.Mesh.Tri[3*t : 3*t+3]
		if _, isClosed := slices.BinarySearch(closed, t); !isClosed {
			open.Tri = append(open.Tri, corners...)
			continue
		}
		for _, v := range corners {
			if _, known := number[v]; !known {
				number[v] = int32(len(cover.X))
				cover.X, cover.Y, cover.Z = append(cover.X, m.Mesh.X[v]), append(cover.Y, m.Mesh.Y[v]), append(cover.Z, m.Mesh.Z[v])
			}
			cover.Tri = append(cover.Tri, number[v])
		}
	}
	m.Mesh = &open
	return []glb.Named{m, {Name: "closed", Mesh: &cover, RGB: slices.Repeat(format.ClosedRGB[:], cover.Vertices())}}
}

// fourByFour writes the datum as matrices that any program takes: network → datum
// and back, row by row, lengths in the job's units.
func fourByFour(r report.Report) []byte {
	var b bytes.Buffer
	rows := func(title string, m [9]float64, t [3]float64) {
		fmt.Fprintf(&b, "# %s, lengths in %s; a point is a column: p' = M p\r\n", title, r.Units)
		for i := range 3 {
			fmt.Fprintf(&b, "%.12f %.12f %.12f %.9f\r\n", m[3*i], m[3*i+1], m[3*i+2], t[i])
		}
		fmt.Fprintf(&b, "0 0 0 1\r\n")
	}
	m, t := r.Datum.Rotation, r.Datum.Translation
	rows("network to datum", m, t)
	var back [9]float64
	var home [3]float64
	for i := range 3 {
		for j := range 3 {
			back[3*i+j] = m[3*j+i]
			home[i] -= m[3*j+i] * t[j]
		}
	}
	rows("datum to network", back, home)
	return b.Bytes()
}
