package stage

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"unsafe"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// MappedMesh returns the mesh of a kept result of With and Mesh where it lies in its file:
// the system reads what is used and takes back what is not, so that the mesh takes no memory
// that is short. It must not be written to, nor used after free. The checksum is compared
// first. The error satisfies errors.Is(err, errors.ErrUnsupported) where files cannot be
// mapped, or the store keeps nothing.
func MappedMesh(s *Store, name string, k Key) (m *scan.Mesh, free func() error, err error) {
	if s.dir == "" {
		return nil, nil, errors.ErrUnsupported
	}
	f, err := os.Open(s.path(name, k))
	if err != nil {
		return nil, nil, err
	}
	defer func() { err = errors.Join(err, f.Close()) }() // a mapping outlives its file
	info, err := f.Stat()
	if err != nil {
		return nil, nil, err
	}
	size := info.Size() - sha256.Size
	if size <= 0 {
		return nil, nil, errDamaged
	}
	if err := verify(f, size); err != nil {
		return nil, nil, err
	}
	content, free, err := mapFile(f, size)
	if err != nil {
		return nil, nil, err
	}
	m, err = meshIn(content)
	if err != nil {
		return nil, nil, errors.Join(fmt.Errorf("%s: %w", f.Name(), err), free())
	}
	return m, free, nil
}

// meshIn lays a mesh over the content of a file.
func meshIn(content []byte) (*scan.Mesh, error) {
	at := bytes.IndexByte(content, '\n') + 1
	if at == 0 || len(content) < at+headerBytes || at%lineStep != 0 {
		return nil, fmt.Errorf("%w: a mesh at byte %d of %d", errors.ErrUnsupported, at, len(content))
	}
	var h struct {
		Origin geom.Vec
		A, B   int64
	}
	if _, err := binary.Decode(content[at:], binary.LittleEndian, &h); err != nil {
		return nil, err
	}
	content = content[at+headerBytes:]
	if h.A < 0 || h.B < 0 || h.A > int64(len(content)) || h.B > int64(len(content)) || 12*h.A+4*h.B != int64(len(content)) {
		return nil, fmt.Errorf("a kept mesh has %d bytes for %d vertices and %d corners", len(content), h.A, h.B)
	}
	n := h.A
	return &scan.Mesh{Origin: h.Origin,
		X: over[float32](content, 0, n), Y: over[float32](content, n, n), Z: over[float32](content, 2*n, n),
		Tri: over[int32](content, 3*n, h.B)}, nil
}

// over lays n numbers over the bytes, from the first-th on.
func over[T float32 | int32](content []byte, first, n int64) []T {
	if n == 0 {
		return nil
	}
	return unsafe.Slice((*T)(unsafe.Pointer(&content[4*first])), n)
}
