package report

import (
	"bytes"
	"context"
	"fmt"

	"trammel/pipeline"
	"trammel/pipeline/geom"
	"trammel/pipeline/mount"
	"trammel/pipeline/picture"
	"trammel/pipeline/scan"
)

const (
	// mostCloseUps keeps the report short; every mount has its raw surface in the package.
	mostCloseUps = 4
	// closeUpReach is how far around a mount is shown, in diameters, and leastReach in mm.
	closeUpReach = 1.6
	leastReach   = 20
)

// drawMounts shows the reduced mesh at the first mounts that were found, each triangle
// with its edges, square on to the face.
func drawMounts(ctx context.Context, b *pipeline.Built) ([]Picture, error) {
	var out []Picture
	for i := range b.Mounts {
		m := &b.Mounts[i]
		if len(out) == mostCloseUps {
			break
		}
		if !m.Found || m.Diameter == 0 {
			continue
		}
		drawn, err := drawMount(ctx, b.Surface, m)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", m.Name, err)
		}
		if drawn != nil {
			out = append(out, Picture{Caption: fmt.Sprintf("The reduced mesh at %s, with the edges of its triangles.", oneLine(m.Name)), PNG: drawn})
		}
	}
	return out, nil
}

func drawMount(ctx context.Context, surface *scan.Mesh, m *mount.Result) ([]byte, error) {
	reach := max(closeUpReach*m.Diameter, leastReach)
	piece := around(surface, m.Center, 2*reach)
	if piece.Triangles() == 0 {
		return nil, nil
	}
	look := m.Axis.Scale(-1)
	if facing(piece).Dot(m.Axis) < 0 {
		look = m.Axis
	}
	up := geom.Vec{Z: 1}
	if up.Cross(look).Norm() < 0.5 {
		up = geom.Vec{X: 1}
	}
	half := geom.Vec{X: 1, Y: 1, Z: 1}.Scale(reach)
	frame := geom.Box{Min: m.Center.Sub(half), Max: m.Center.Add(half)}
	img, err := picture.Render(ctx, piece, picture.RenderOptions{Width: pairedPixels, Height: pairedPixels * 2 / 3, View: picture.View{Direction: look, Up: up}, Frame: &frame, Flat: true, Edges: true})
	if err != nil {
		return nil, err
	}
	var png bytes.Buffer
	err = picture.EncodePNG(&png, img)
	return png.Bytes(), err
}

// around returns the triangles of m that have a corner within reach of a place.
func around(m *scan.Mesh, at geom.Vec, reach float64) *scan.Mesh {
	piece := &scan.Mesh{Origin: m.Origin, X: m.X, Y: m.Y, Z: m.Z}
	for t := range m.Triangles() {
		for _, v := range m.Tri[3*t : 3*t+3] {
			if m.At(v).Dist(at) <= reach {
				piece.Tri = append(piece.Tri, m.Tri[3*t:3*t+3]...)
				break
			}
		}
	}
	return piece
}

// facing is the sum of the vector areas of the triangles.
func facing(m *scan.Mesh) geom.Vec {
	var sum geom.Vec
	for t := range m.Triangles() {
		p, q, r := m.Corners(t)
		sum = sum.Add(q.Sub(p).Cross(r.Sub(p)))
	}
	return sum
}
