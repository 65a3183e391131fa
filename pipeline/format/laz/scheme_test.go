package laz

import (
	"bytes"
	"encoding/binary"
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/scan"
)

// described is the record that describes a compression.
func described(arrangement, coder int, chunk uint32, items ...item) []byte {
	le := binary.LittleEndian
	raw := make([]byte, schemeBytes)
	le.PutUint16(raw, uint16(arrangement))
	le.PutUint16(raw[2:], uint16(coder))
	le.PutUint32(raw[12:], chunk)
	le.PutUint16(raw[32:], uint16(len(items)))
	for _, it := range items {
		raw = le.AppendUint16(le.AppendUint16(le.AppendUint16(raw, uint16(it.kind)), uint16(it.size)), uint16(it.version))
	}
	return raw
}

func TestSchemesThatAreRefused(t *testing.T) {
	point, point14 := item{kindPoint10, 20, 2}, item{kindPoint14, 30, 3}
	for _, c := range []struct {
		name string
		raw  []byte
		says string
	}{
		{"nothing", nil, "has 0 bytes"},
		{"too short", described(2, 0, 50, point)[:30], "has 30 bytes"},
		{"another coder", described(2, 1, 50, point), "coder 1"},
		{"no compression", described(0, 0, 50, point), "method 0"},
		{"a later method", described(4, 0, 50, point), "method 4"},
		{"chunks of nothing", described(2, 0, 0, point), "no points"},
		{"items cut off", described(2, 0, 50, point)[:36], "breaks off"},
		{"no items", described(2, 0, 50), "begin with"},
		{"no point", described(2, 0, 50, item{kindTime11, 8, 2}), "begin with"},
		{"layers of the older point", described(3, 0, 50, point), "begin with"},
		{"the newer point without layers", described(2, 0, 50, point14), "begin with"},
		{"wrong order", described(2, 0, 50, point, item{kindRGB12, 6, 2}, item{kindTime11, 8, 2}), "kind 7"},
		{"twice the same", described(2, 0, 50, point, item{kindTime11, 8, 2}, item{kindTime11, 8, 2}), "kind 7"},
		{"unknown kind", described(2, 0, 50, point, item{99, 8, 2}), "kind 99"},
		{"a point of 21 bytes", described(2, 0, 50, item{kindPoint10, 21, 2}), "21 bytes"},
		{"no extra bytes", described(2, 0, 50, point, item{kindByte, 0, 2}), "0 bytes"},
		{"far too many extra bytes", described(3, 0, 50, point14, item{kindByte14, 60_000, 3}), "60000 bytes"},
		{"the first version", described(2, 0, 50, item{kindPoint10, 20, 1}), "version 1"},
		{"a later version", described(3, 0, 50, item{kindPoint14, 30, 5}), "version 5"},
	} {
		if _, err := ParseScheme(c.raw); !errors.Is(err, scan.ErrFormat) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.says)
		}
	}
}

func TestSchemeAgainstHeader(t *testing.T) {
	for format := range 11 {
		s := schemeOf(t, format, 2, 3)
		for other := -1; other < 12; other++ {
			if err := s.Check(other, s.RecordBytes()); (err == nil) != (other == format) {
				t.Errorf("points of format %d against a header of format %d: %v", format, other, err)
			}
		}
		if err := s.Check(format, s.RecordBytes()+1); !errors.Is(err, scan.ErrFormat) {
			t.Errorf("format %d with a record too long: %v", format, err)
		}
	}
}

// openFile opens a file of random chunks after spoil had its way with it.
func openFile(t *testing.T, points []int, promised int64, spoil func(raw []byte) []byte) error {
	t.Helper()
	s := schemeOf(t, 3, 0, 3)
	var chunks [][]byte
	for i, n := range points {
		c, _ := randomChunk(t, &s, n, uint64(i))
		chunks = append(chunks, c)
	}
	raw := spoil(fileOf(chunks, points, false))
	f, err := Open(bytes.NewReader(raw), Place{Size: int64(len(raw)), Start: 100, Points: promised}, s)
	if err == nil {
		_, err = decodeAll(f)
	}
	return err
}

func TestTablesThatAreRefused(t *testing.T) {
	le := binary.LittleEndian
	table := func(raw []byte) []byte { return raw[le.Uint64(raw[100:]):] }
	as := func(change func(raw []byte)) func([]byte) []byte {
		return func(raw []byte) []byte { change(raw); return raw }
	}
	for _, c := range []struct {
		name     string
		promised int64
		spoil    func([]byte) []byte
		is       error
		says     string
	}{
		{"as it is", 60, as(func([]byte) {}), nil, ""},
		{"a point more", 61, as(func([]byte) {}), scan.ErrTruncated, "its chunks hold 60"},
		{"a chunk's points fewer", 20, as(func([]byte) {}), scan.ErrFormat, "more points"},
		{"absurdly many points", 1 << 62, as(func([]byte) {}), scan.ErrTruncated, "cannot hold"},
		{"table behind the file", 60, as(func(raw []byte) { le.PutUint64(raw[100:], uint64(len(raw))) }), scan.ErrTruncated, "should stand"},
		{"table at the far end", 60, as(func(raw []byte) { le.PutUint64(raw[100:], 1<<62) }), scan.ErrTruncated, "should stand"},
		{"table before the points", 60, as(func(raw []byte) { le.PutUint64(raw[100:], 3) }), scan.ErrFormat, "before the points"},
		{"table at a negative place", 60, as(func(raw []byte) { le.PutUint64(raw[100:], 1<<63) }), scan.ErrFormat, "before the points"},
		{"table of another version", 60, as(func(raw []byte) { table(raw)[0] = 1 }), scan.ErrFormat, "version 1"},
		{"no chunks", 60, as(func(raw []byte) { le.PutUint32(table(raw)[4:], 0) }), scan.ErrFormat, "0 chunks"},
		{"more chunks than bytes", 60, as(func(raw []byte) { le.PutUint32(table(raw)[4:], 1<<31) }), scan.ErrFormat, "chunks"},
		{"table cut", 60, func(raw []byte) []byte { return raw[:len(raw)-6] }, scan.ErrTruncated, ""},
		{"nothing but a place", 60, func(raw []byte) []byte { return raw[:104] }, scan.ErrTruncated, ""},
		{"table missing", 60, as(func(raw []byte) { le.PutUint64(raw[100:], 1<<64-1) }), scan.ErrTruncated, "varying length"},
	} {
		err := openFile(t, []int{20, 40}, c.promised, c.spoil)
		if !errors.Is(err, c.is) || c.is != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: got %v, want %v with %q", c.name, err, c.is, c.says)
		}
	}
}

// A file that is cut anywhere is refused with one of the two errors.
func TestCutAnywhere(t *testing.T) {
	for k := range 100 {
		err := openFile(t, []int{20, 40}, 60, func(raw []byte) []byte { return raw[:100+(len(raw)-100)*k/100] })
		if !errors.Is(err, scan.ErrTruncated) && !errors.Is(err, scan.ErrFormat) {
			t.Errorf("cut after %d %%: %v", k, err)
		}
	}
}

// Places gives the same coordinates, intensity, flags and colours as All.
func TestPlacesAgreeWithAll(t *testing.T) {
	for format := range 11 {
		s := schemeOf(t, format, 2, 3)
		chunk, want := randomChunk(t, &s, 300, 9)
		raw := fileOf([][]byte{chunk}, []int{300}, false)
		f, err := Open(bytes.NewReader(raw), Place{Size: int64(len(raw)), Start: 100, Points: 300}, s)
		if err != nil {
			t.Fatal(err)
		}
		d := f.Decoder(Places)
		got := make([]byte, len(want))
		if err := d.Begin(0); err != nil {
			t.Fatal(err)
		}
		if n, err := d.Next(got); n != 300 || err != nil {
			t.Fatalf("format %d: %d points, %v", format, n, err)
		}
		n := s.RecordBytes()
		for k := 0; k < len(want); k += n {
			isSame := bytes.Equal(got[k:k+16], want[k:k+16])
			if format == 7 || format == 8 || format == 10 {
				isSame = isSame && bytes.Equal(got[k+30:k+36], want[k+30:k+36])
			}
			if !isSame {
				t.Fatalf("format %d, record %d:\ngot  % x\nwant % x", format, k/n, got[k:k+n], want[k:k+n])
			}
		}
	}
}

// The five values of a median stay in order, and a new one pushes out the
// smallest or the largest.
func TestMedian(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var m median
		for _, x := range rapid.SliceOfN(rapid.Int32Range(-5, 5), 1, 40).Draw(t, "values") {
			before := append(slices.Clone(m.v[:]), x)
			slices.Sort(before)
			low, high := m.v[0], m.v[4]
			m.add(x)
			if !slices.IsSorted(m.v[:]) {
				t.Fatalf("%v is not in order", m.v)
			}
			without := func(out int32) []int32 {
				return slices.Delete(slices.Clone(before), slices.Index(before, out), slices.Index(before, out)+1)
			}
			if !slices.Equal(m.v[:], without(min(low, x))) && !slices.Equal(m.v[:], without(max(high, x))) && !slices.Equal(m.v[:], without(low)) && !slices.Equal(m.v[:], without(high)) {
				t.Fatalf("%v is not %v with an end taken off", m.v, before)
			}
		}
	})
}

// What the encoder of the tests writes, the decoder reads: the integers of a
// chunk table of any values.
func TestIntegersComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Int32(), 1, 200).Draw(t, "values")
		e := encoder{length: 1<<32 - 1}
		var to, from integer
		to.reset(32, 2)
		from.reset(32, 2)
		last := int32(0)
		for i, v := range values {
			e.integer(&to, v-last, uint32(i&1))
			last = v
		}
		var c coder
		c.start(e.finish())
		last = 0
		for i, v := range values {
			if last = from.next(&c, last, uint32(i&1)); last != v {
				t.Fatalf("value %d: got %d, want %d", i, last, v)
			}
		}
		if !c.isSpent() {
			t.Fatalf("%d of %d bytes were read", c.at, len(c.in))
		}
	})
}
