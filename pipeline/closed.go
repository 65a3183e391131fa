package pipeline

import (
	"context"

	"trammel/pipeline/distance"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

const closedVersion = 1

// markClosed finds the triangles of the reduced mesh, and of the coarser ones, that stand
// where holes were closed: surface that nobody saw.
func (r *run) markClosed(ctx context.Context, b *Built, mesh stage.Key) error {
	if b.Mesh.Fusion.ClosedTriangles == 0 {
		return nil
	}
	meshes := []*scan.Mesh{b.Surface}
	for _, l := range b.Levels {
		meshes = append(meshes, l.Surface)
	}
	key, err := stage.KeyOf("closed", closedVersion, b.Job.Mesh.Levels, r.fusedKey, mesh)
	if err != nil {
		return err
	}
	marks, err := stage.Run(r.store, "closed", "job", key, stage.JSON[[][]int32](), func() ([][]int32, error) {
		fused, err := r.reference(ctx, 0)
		if err != nil {
			return nil, err
		}
		return closedIn(ctx, meshes, fused, r.fused.Triangles()-b.Mesh.Fusion.ClosedTriangles)
	})
	if err != nil {
		return err
	}
	b.Closed = marks[0]
	for i := range b.Levels {
		b.Levels[i].Closed = marks[1+i]
	}
	return nil
}

// closedIn returns for each mesh the triangles whose middle is nearest to one of the closed
// ones of the fused mesh, which are the last ones, from first on.
func closedIn(ctx context.Context, meshes []*scan.Mesh, fused *distance.Reference, first int) ([][]int32, error) {
	marks := make([][]int32, len(meshes))
	for k, m := range meshes {
		for lo := 0; lo < m.Triangles(); lo += placesAtOnce {
			middles := make([]geom.Vec, min(placesAtOnce, m.Triangles()-lo))
			for i := range middles {
				p, q, s := m.Corners(lo + i)
				middles[i] = p.Add(q).Add(s).Scale(1.0 / 3)
			}
			closest, err := fused.Triangles(ctx, middles)
			if err != nil {
				return nil, err
			}
			for i, t := range closest {
				if int(t) >= first {
					marks[k] = append(marks[k], int32(lo+i))
				}
			}
		}
	}
	return marks, nil
}
