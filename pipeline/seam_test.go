package pipeline

import (
	"math"
	"testing"

	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

// TestSeamCut: on a curved surface, askew in space, that one scan saw half of and others all
// of, 0.5 mm further out, the cut shows both 0.5 mm apart, flat, and the mesh between; the
// share of the preferred scan is that of where its points lie.
func TestSeamCut(t *testing.T) {
	const h, step = 3.0, 0.5
	turn := geom.RotVec(geom.Vec{X: 0.4, Y: -0.7, Z: 0.2})
	put := func(x, y, up float64) geom.Vec {
		return turn.MulVec(geom.Vec{X: x, Y: y, Z: up - 0.002*x*x}).Add(geom.Vec{X: 1000, Y: -300, Z: 700})
	}
	b := &Built{Checked: Checked{Job: &job.Sheet{}}}
	b.Job.Mesh.Voxel = h
	b.Mesh.Fusion.Seam = fuse.Seam{Places: 1, Worst: fuse.Step{At: put(0, 0, 0), Normal: turn.MulVec(geom.Vec{Z: 1}), Across: turn.MulVec(geom.Vec{X: 1}), Size: step}}
	b.Seam = b.newSeam()
	var hand, tripod []geom.Vec
	mesh := &scan.Mesh{Origin: geom.Vec{X: 1000}}
	const n = 41
	for i := range n {
		for j := range n {
			x, y := h*float64(j-n/2), h*float64(i-n/2)
			if x <= 0 {
				hand = append(hand, put(x, y, 0))
			}
			tripod = append(tripod, put(x, y, step))
			mesh.Append(put(x, y, step*min(max(0.5+x/6, 0), 1)))
			if a := int32(i*n + j); i+1 < n && j+1 < n {
				mesh.Tri = append(mesh.Tri, a, a+1, a+n+1, a, a+n+1, a+n)
			}
		}
	}
	b.Seam.take(hand, true, b.Mesh.Fusion.Seam.Worst, h)
	b.Seam.take(tripod, false, b.Mesh.Fusion.Seam.Worst, h)
	b.cutSeam(mesh)
	p, o, lines := b.SeamCut()
	if len(p) < 40 || len(o) < 80 || len(lines) < 30 {
		t.Fatalf("%d preferred points, %d others, %d pieces of the mesh", len(p), len(o), len(lines))
	}
	mean := func(list []Above) (sum float64) {
		n := 0.0
		for _, q := range list {
			if q.X <= 0 {
				sum, n = sum+q.H, n+1
			}
		}
		return sum / n
	}
	if d := mean(o) - mean(p); math.Abs(d-step) > 0.01 {
		t.Errorf("in the cut the others lie %.3f mm above the preferred scan, want %v", d, step)
	}
	for _, q := range o {
		if math.Abs(q.H) > 2*step {
			t.Errorf("the smooth surface leaves %.2f mm at %.0f mm", q.H, q.X)
		}
	}
	piece, share := b.SeamPiece()
	for i, s := range share {
		if x := piece.At(int32(i)).X; x < 0.5 && x > -b.Seam.Half && math.Abs(piece.At(int32(i)).Y) < b.Seam.Half && s < 0.99 || x > 2.5*h && s > 0.01 {
			t.Errorf("%.1f mm across the seam the share of the preferred scan is %.2f", x, s)
		}
	}
	if (&Built{}).newSeam() != nil {
		t.Error("a seam without a step")
	}
}
