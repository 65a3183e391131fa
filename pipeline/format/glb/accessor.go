package glb

import (
	"encoding/binary"
	"math"
	"slices"
	"sort"
)

// Component types, as the format numbers them.
const (
	kindByte   = 5120
	kindUByte  = 5121
	kindShort  = 5122
	kindUShort = 5123
	kindUInt   = 5125
	kindFloat  = 5126
)

// widestStride is the largest byteStride that the format allows.
const widestStride = 252

func kindSize(kind int64) int64 {
	switch kind {
	case kindByte, kindUByte:
		return 1
	case kindShort, kindUShort:
		return 2
	case kindUInt, kindFloat:
		return 4
	}
	return 0
}

func componentsOf(name string) int {
	switch name {
	case "SCALAR":
		return 1
	case "VEC3":
		return 3
	case "VEC4":
		return 4
	}
	return 0
}

// reader is an accessor whose bytes are known to be in the file.
type reader struct {
	at         int64 // of the first record in the file, -1 where all are zero
	stride     int64
	kind       int64
	components int
	normalized bool
	count      int64
	sparse     *overrides
}

// overrides are the records that a sparse accessor replaces.
type overrides struct {
	count     int64
	indicesAt int64
	kind      int64
	valuesAt  int64
	indices   []uint32 // ascending; read at first use
}

// reader checks accessor i: its type, and that its bytes are in the file.
func (f *File) reader(i int, types ...string) (*reader, error) {
	if i < 0 || i >= len(f.doc.Accessors) {
		return nil, broken("it refers to accessor %d of %d", i, len(f.doc.Accessors))
	}
	a := &f.doc.Accessors[i]
	size := kindSize(a.ComponentType)
	if size == 0 || !slices.Contains(types, a.Type) {
		return nil, broken("accessor %d is of type %q with components %d, which does not belong here", i, clip(a.Type), a.ComponentType)
	}
	if a.Count < 1 || a.Count > math.MaxUint32 {
		return nil, broken("accessor %d has %d records", i, a.Count)
	}
	r := &reader{at: -1, kind: a.ComponentType, components: componentsOf(a.Type), normalized: a.Normalized, count: a.Count}
	r.stride = size * int64(r.components)
	if a.BufferView != nil {
		at, stride, err := f.stretch(*a.BufferView, a.ByteOffset, r.stride, a.Count)
		if err != nil {
			return nil, err
		}
		r.at, r.stride = at, stride
	}
	if a.Sparse != nil {
		return r, f.sparse(r, a.Sparse, size*int64(r.components))
	}
	return r, nil
}

// stretch finds count records of the given width in a buffer view and returns
// their place in the file and their distance.
func (f *File) stretch(view int, offset, width, count int64) (at, stride int64, err error) {
	if view < 0 || view >= len(f.doc.BufferViews) {
		return 0, 0, broken("it refers to buffer view %d of %d", view, len(f.doc.BufferViews))
	}
	v := &f.doc.BufferViews[view]
	base, err := f.view(view, v)
	if err != nil {
		return 0, 0, err
	}
	stride = width
	if v.ByteStride != 0 {
		stride = v.ByteStride
	}
	if stride < width || stride > widestStride {
		return 0, 0, broken("buffer view %d has a stride of %d for records of %d bytes", view, stride, width)
	}
	// count is below 2³² and stride below 2⁸, so that nothing overflows.
	if need := stride*(count-1) + width; offset < 0 || offset > v.ByteLength || need > v.ByteLength-offset {
		return 0, 0, short("%d records need %d bytes at %d of buffer view %d, which has %d", count, need, offset, view, v.ByteLength)
	}
	return base + offset, stride, nil
}

// view returns where a buffer view begins in the file.
func (f *File) view(i int, v *bufferView) (int64, error) {
	if v.Buffer < 0 || v.Buffer >= len(f.doc.Buffers) {
		return 0, broken("it refers to buffer %d of %d", v.Buffer, len(f.doc.Buffers))
	}
	if f.doc.Buffers[v.Buffer].URI != nil || v.Buffer > 0 {
		return 0, broken("its geometry is not in the file itself (buffer %d is external); export it as one binary file", v.Buffer)
	}
	if v.ByteOffset < 0 || v.ByteLength < 1 || v.ByteOffset > f.bin.size || v.ByteLength > f.bin.size-v.ByteOffset {
		return 0, short("buffer view %d promises %d bytes at %d, the file's binary part has %d", i, v.ByteLength, v.ByteOffset, f.bin.size)
	}
	return f.bin.at + v.ByteOffset, nil
}

func (f *File) sparse(r *reader, s *sparse, width int64) error {
	size := kindSize(s.Indices.ComponentType)
	if size == 0 || s.Indices.ComponentType == kindFloat || s.Indices.ComponentType == kindByte || s.Indices.ComponentType == kindShort {
		return broken("the numbers of a sparse accessor are of type %d", s.Indices.ComponentType)
	}
	if s.Count < 1 || s.Count > r.count {
		return broken("a sparse accessor replaces %d of %d records", s.Count, r.count)
	}
	indices, stride, err := f.stretch(s.Indices.BufferView, s.Indices.ByteOffset, size, s.Count)
	if err != nil {
		return err
	}
	values, valueStride, err := f.stretch(s.Values.BufferView, s.Values.ByteOffset, width, s.Count)
	if err != nil {
		return err
	}
	if stride != size || valueStride != width {
		return broken("the buffer view of a sparse accessor has a stride")
	}
	r.sparse = &overrides{count: s.Count, indicesAt: indices, kind: s.Indices.ComponentType, valuesAt: values}
	return nil
}

// floats reads the records from lo up to hi, one number a component, into dst.
func (f *File) floats(r *reader, lo, hi int64, dst []float64) ([]float64, error) {
	n := int(hi-lo) * r.components
	dst = slices.Grow(dst[:0], n)[:n]
	if r.at < 0 {
		clear(dst)
	} else {
		raw, err := f.bytes(r.at+lo*r.stride, r.stride*(hi-lo-1)+kindSize(r.kind)*int64(r.components))
		if err != nil {
			return nil, err
		}
		decode(dst, raw, r, int(r.stride))
	}
	if r.sparse != nil {
		return dst, f.override(r, lo, hi, dst)
	}
	return dst, nil
}

// bytes reads n bytes into the scratch buffer.
func (f *File) bytes(at, n int64) ([]byte, error) {
	f.cursor.raw = slices.Grow(f.cursor.raw[:0], int(n))[:n]
	return f.cursor.raw, f.read(f.cursor.raw, at)
}

// decode turns records into numbers; integers that stand for fractions are
// divided as the format says.
func decode(dst []float64, raw []byte, r *reader, stride int) {
	c := r.components
	if r.kind == kindFloat && c == 3 {
		for i, at := 0, 0; i+2 < len(dst); i, at = i+3, at+stride {
			v := raw[at : at+12]
			dst[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(v)))
			dst[i+1] = float64(math.Float32frombits(binary.LittleEndian.Uint32(v[4:])))
			dst[i+2] = float64(math.Float32frombits(binary.LittleEndian.Uint32(v[8:])))
		}
		return
	}
	size := int(kindSize(r.kind))
	full := 1.0
	if r.normalized && r.kind != kindFloat && r.kind != kindUInt {
		full = float64(int64(1)<<(8*size) - 1)
		if r.kind == kindByte || r.kind == kindShort {
			full = float64(int64(1)<<(8*size-1) - 1)
		}
	}
	for i := range dst {
		v := component(raw[i/c*stride+i%c*size:], r.kind)
		if full != 1 {
			v = max(v/full, -1)
		}
		dst[i] = v
	}
}

func component(raw []byte, kind int64) float64 {
	switch kind {
	case kindByte:
		return float64(int8(raw[0]))
	case kindUByte:
		return float64(raw[0])
	case kindShort:
		return float64(int16(binary.LittleEndian.Uint16(raw)))
	case kindUShort:
		return float64(binary.LittleEndian.Uint16(raw))
	case kindUInt:
		return float64(binary.LittleEndian.Uint32(raw))
	default:
		return float64(math.Float32frombits(binary.LittleEndian.Uint32(raw)))
	}
}

// override puts the replaced records into dst, which holds lo up to hi.
func (f *File) override(r *reader, lo, hi int64, dst []float64) error {
	if err := f.loadOverrides(r); err != nil {
		return err
	}
	s := r.sparse
	first := sort.Search(len(s.indices), func(i int) bool { return int64(s.indices[i]) >= lo })
	last := sort.Search(len(s.indices), func(i int) bool { return int64(s.indices[i]) >= hi })
	if first == last {
		return nil
	}
	width := kindSize(r.kind) * int64(r.components)
	raw, err := f.bytes(s.valuesAt+int64(first)*width, int64(last-first)*width)
	if err != nil {
		return err
	}
	for k := first; k < last; k++ {
		at := (int(int64(s.indices[k]) - lo)) * r.components
		decode(dst[at:at+r.components], raw[int64(k-first)*width:], r, int(width))
	}
	return nil
}

// loadOverrides reads the numbers of the replaced records, once.
func (f *File) loadOverrides(r *reader) error {
	s := r.sparse
	if s.indices != nil {
		return nil
	}
	s.indices = make([]uint32, 0, s.count)
	size := kindSize(s.kind)
	before := int64(-1)
	for lo := int64(0); lo < s.count; lo += portionRows {
		n := min(portionRows, s.count-lo)
		raw, err := f.bytes(s.indicesAt+lo*size, n*size)
		if err != nil {
			return err
		}
		for i := range n {
			k := int64(component(raw[i*size:], s.kind))
			if k <= before || k >= r.count {
				return broken("the numbers of a sparse accessor do not ascend below %d", r.count)
			}
			s.indices = append(s.indices, uint32(k))
			before = k
		}
	}
	return nil
}
