package pipeline

import (
	"context"

	"trammel/pipeline/distance"
	"trammel/pipeline/reduce"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

// memoryShare is how much of the memory allowed may be held: what is freed is not free at
// once.
const memoryShare = 0.85

// leastIndex is what an index of the fused mesh may take in any case, bytes.
const leastIndex = 16e6

func bytesOf(m *scan.Mesh) int64 { return 4 * int64(len(m.X)+len(m.Y)+len(m.Z)+len(m.Tri)) }

// spareFused takes the fused mesh from its file in the work folder, bit by bit as it is
// used, where memory does not hold it beside what reducing it takes. Where that cannot be,
// it stays in memory.
func (r *run) spareFused(o *reduce.Options) {
	if r.o.Memory <= 0 || r.mapped != nil || float64(bytesOf(r.fused)+o.Holds(r.fused)) <= memoryShare*float64(r.o.Memory) {
		return
	}
	if m, free, err := stage.MappedMesh(r.store, "fuse", r.fusedKey); err == nil {
		r.fused, r.mapped = m, free
	}
}

// letGo lets go of what lies in files.
func (r *run) letGo() error {
	if r.mapped == nil {
		return nil
	}
	r.fused, r.toFused = nil, nil
	return r.mapped()
}

// reference prepares measurements against the fused mesh, once for all that want it. held is
// how many bytes others hold meanwhile.
func (r *run) reference(ctx context.Context, held int64) (*distance.Reference, error) {
	if r.toFused != nil {
		return r.toFused, nil
	}
	var err error
	r.toFused, err = distance.NewReferenceWithin(ctx, r.fused, r.leftFor(held))
	return r.toFused, err
}

// leftFor returns how many bytes an index of the fused mesh may take where others hold some; 0
// where nothing is said of memory.
func (r *run) leftFor(held int64) int64 {
	if r.o.Memory <= 0 {
		return 0
	}
	if r.mapped == nil {
		held += bytesOf(r.fused)
	}
	return max(int64(memoryShare*float64(r.o.Memory))-held, leastIndex)
}
