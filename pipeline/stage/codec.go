package stage

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
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

// Cloud returns the codec of a cloud with or without normals.
func Cloud() Codec[*scan.Cloud] {
	return Codec[*scan.Cloud]{
		Encode: func(w io.Writer, c *scan.Cloud) error {
			if err := header(w, c.Origin, len(c.X), len(c.NX)); err != nil {
				return err
			}
			return slicesOut(w, raw(c.X), raw(c.Y), raw(c.Z), raw(c.NX), raw(c.NY), raw(c.NZ))
		},
		Decode: func(r io.Reader, size int64) (*scan.Cloud, error) {
			origin, n, normals, err := readHeader(r)
			if err != nil {
				return nil, err
			}
			if want := headerBytes + 12*n + 12*normals; want != size {
				return nil, fmt.Errorf("a kept cloud has %d bytes instead of %d", size, want)
			}
			c := &scan.Cloud{Origin: origin, X: make([]float32, n), Y: make([]float32, n), Z: make([]float32, n),
				NX: make([]float32, normals), NY: make([]float32, normals), NZ: make([]float32, normals)}
			return c, slicesIn(r, raw(c.X), raw(c.Y), raw(c.Z), raw(c.NX), raw(c.NY), raw(c.NZ))
		},
	}
}

// Values returns the codec of numbers, NaN among them.
func Values() Codec[[]float32] {
	return Codec[[]float32]{
		Encode: func(w io.Writer, v []float32) error { return slicesOut(w, raw(v)) },
		Decode: func(r io.Reader, size int64) ([]float32, error) {
			if size%4 != 0 {
				return nil, fmt.Errorf("kept numbers of four bytes have %d", size)
			}
			v := make([]float32, size/4)
			return v, slicesIn(r, raw(v))
		},
	}
}

// lineStep divides the length of the line before a large value, so that its numbers lie
// where the machine wants them when the file is mapped.
const lineStep = 64

// With returns the codec of a large value with facts about it: the facts as one
// JSON line, filled up with blanks, then the value.
func With[F, T any](value Codec[T]) Codec[Pair[F, T]] {
	return Codec[Pair[F, T]]{
		Encode: func(w io.Writer, p Pair[F, T]) error {
			line, err := json.Marshal(p.Facts)
			if err != nil {
				return err
			}
			for (len(line)+1)%lineStep != 0 {
				line = append(line, ' ')
			}
			if _, err := w.Write(append(line, '\n')); err != nil {
				return err
			}
			return value.Encode(w, p.Value)
		},
		Decode: func(r io.Reader, size int64) (p Pair[F, T], err error) {
			b := bufio.NewReaderSize(r, 1<<20)
			line, err := b.ReadBytes('\n')
			if err != nil {
				return p, err
			}
			if err := json.Unmarshal(line, &p.Facts); err != nil {
				return p, err
			}
			p.Value, err = value.Decode(b, size-int64(len(line)))
			return p, err
		},
	}
}

// Pair is a large value and facts about it.
type Pair[F, T any] struct {
	Facts F
	Value T
}
