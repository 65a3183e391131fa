package stage

import (
	"encoding/binary"
	"fmt"
	"io"
	"unsafe"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Mesh returns the codec of a mesh: its origin, two counts, then the slices as
// little-endian numbers.
func Mesh() Codec[*scan.Mesh] {
	return Codec[*scan.Mesh]{
		Encode: func(w io.Writer, m *scan.Mesh) error {
			if err := header(w, m.Origin, len(m.X), len(m.Tri)); err != nil {
				return err
			}
			return slicesOut(w, raw(m.X), raw(m.Y), raw(m.Z), raw(m.Tri))
		},
		Decode: func(r io.Reader, size int64) (*scan.Mesh, error) {
			origin, n, t, err := readHeader(r)
			if err != nil {
				return nil, err
			}
			if want := headerBytes + 12*n + 4*t; want != size {
				return nil, fmt.Errorf("a kept mesh has %d bytes instead of %d", size, want)
			}
			m := &scan.Mesh{Origin: origin, X: make([]float32, n), Y: make([]float32, n), Z: make([]float32, n), Tri: make([]int32, t)}
			return m, slicesIn(r, raw(m.X), raw(m.Y), raw(m.Z), raw(m.Tri))
		},
	}
}

const headerBytes = 40

func header(w io.Writer, origin geom.Vec, a, b int) error {
	return binary.Write(w, binary.LittleEndian, struct {
		Origin geom.Vec
		A, B   int64
	}{origin, int64(a), int64(b)})
}

func readHeader(r io.Reader) (origin geom.Vec, a, b int64, err error) {
	var h struct {
		Origin geom.Vec
		A, B   int64
	}
	err = binary.Read(r, binary.LittleEndian, &h)
	return h.Origin, h.A, h.B, err
}

// raw returns the bytes of a slice of four-byte numbers. The work folder belongs
// to one machine, and every machine the program is built for is little-endian.
func raw[T float32 | int32](v []T) []byte {
	if len(v) == 0 {
		return nil
	}
	return unsafe.Slice((*byte)(unsafe.Pointer(&v[0])), 4*len(v))
}

func slicesOut(w io.Writer, parts ...[]byte) error {
	for _, p := range parts {
		if _, err := w.Write(p); err != nil {
			return err
		}
	}
	return nil
}

func slicesIn(r io.Reader, parts ...[]byte) error {
	for _, p := range parts {
		if _, err := io.ReadFull(r, p); err != nil {
			return err
		}
	}
	return nil
}
