package laz

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
)

// An arithmetic decoder makes records of any bytes, so random bytes are random
// records: they reach every context, code and jump of the format, more than
// measured points do. Cut after the last byte that the decoder asks for, they
// are a well-formed chunk.

// schemeOf is the compression of a point format with some extra bytes.
func schemeOf(t testing.TB, format, extra, version int) Scheme {
	t.Helper()
	items := [][]item{
		{{kindPoint10, 20, 2}}, {{kindPoint10, 20, 2}, {kindTime11, 8, 2}}, {{kindPoint10, 20, 2}, {kindRGB12, 6, 2}},
		{{kindPoint10, 20, 2}, {kindTime11, 8, 2}, {kindRGB12, 6, 2}},
		{{kindPoint10, 20, 2}, {kindTime11, 8, 2}, {kindWave13, 29, 1}},
		{{kindPoint10, 20, 2}, {kindTime11, 8, 2}, {kindRGB12, 6, 2}, {kindWave13, 29, 1}},
		{{kindPoint14, 30, version}}, {{kindPoint14, 30, version}, {kindRGB14, 6, version}}, {{kindPoint14, 30, version}, {kindRGBNIR14, 8, version}},
		{{kindPoint14, 30, version}, {kindWave14, 29, version}}, {{kindPoint14, 30, version}, {kindRGBNIR14, 8, version}, {kindWave14, 29, version}},
	}[format]
	arrangement, extraItem := arrangedChunks, item{kindByte, extra, 2}
	if format >= 6 {
		arrangement, extraItem = arrangedLayers, item{kindByte14, extra, version}
	}
	if extra > 0 {
		items = append(slices.Clone(items), extraItem)
	}
	le := binary.LittleEndian
	raw := make([]byte, schemeBytes)
	le.PutUint16(raw, uint16(arrangement))
	le.PutUint32(raw[12:], variableChunk)
	le.PutUint16(raw[32:], uint16(len(items)))
	for _, it := range items {
		raw = le.AppendUint16(le.AppendUint16(le.AppendUint16(raw, uint16(it.kind)), uint16(it.size)), uint16(it.version))
	}
	s, err := ParseScheme(raw)
	if err == nil {
		err = s.Check(format, s.RecordBytes())
	}
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// randomChunk is a chunk of n points and the records it decodes to. Random bytes
// that come to values which no encoder writes are drawn anew.
func randomChunk(t testing.TB, s *Scheme, n int, seed uint64) (chunk, records []byte) {
	t.Helper()
	for try := range uint64(1000) {
		if chunk, records = tryChunk(t, s, n, seed, try); chunk != nil {
			return chunk, records
		}
	}
	t.Fatal("no random bytes are well-formed")
	return nil, nil
}

func tryChunk(t testing.TB, s *Scheme, n int, seed, try uint64) (chunk, records []byte) {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, try))
	noise := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		return b
	}
	record := s.RecordBytes()
	records = make([]byte, n*record)
	first := noise(record)
	if s.arrangement != arrangedLayers {
		chunk = append(first, noise(8*n*record)...)
		p := newPointwise(s)
		if err := p.first(chunk, records[:record]); err != nil {
			t.Fatal(err)
		}
		for k := record; k < len(records); k += record {
			p.next(records[k : k+record])
		}
		if p.check(false) != nil {
			return nil, nil
		}
		return chunk[:record+p.coder.at], records
	}
	l := newLayered(s, All)
	count := l.layerCount()
	bytesEach := 64 * n
	chunk = binary.LittleEndian.AppendUint32(first, uint32(n))
	for range count {
		chunk = binary.LittleEndian.AppendUint32(chunk, uint32(bytesEach))
	}
	body := noise(count * bytesEach)
	if _, err := l.first(append(slices.Clip(chunk), body...), records[:record]); err != nil {
		t.Fatal(err)
	}
	for k := record; k < len(records); k += record {
		l.next(records[k : k+record])
	}
	if l.check(false) != nil {
		return nil, nil
	}
	used := make([]int, 0, count)
	for i := range l.point.layers {
		used = append(used, l.point.layers[i].at)
	}
	for i := range l.others {
		for k := range l.others[i].layers {
			used = append(used, l.others[i].layers[k].at)
		}
	}
	for i, u := range used {
		binary.LittleEndian.PutUint32(chunk[record+4+4*i:], uint32(u))
		chunk = append(chunk, body[i*bytesEach:i*bytesEach+u]...)
	}
	return chunk, records
}

// tableOf writes a table of chunks: the encoder's side of the coder, as far as a
// table needs it.
func tableOf(points, sizes []int) []byte {
	e := encoder{length: 1<<32 - 1}
	var n integer
	n.reset(32, 2)
	lastPoints, lastSize := 0, 0
	for i := range sizes {
		e.integer(&n, int32(points[i]-lastPoints), 0)
		e.integer(&n, int32(sizes[i]-lastSize), 1)
		lastPoints, lastSize = points[i], sizes[i]
	}
	head := binary.LittleEndian.AppendUint32(make([]byte, 4), uint32(len(sizes)))
	return append(head, e.finish()...)
}

// encoder is the counterpart of coder: A. Said (2004), §2.
type encoder struct {
	out          []byte
	base, length uint32
}

func (e *encoder) add(low, width uint32) {
	before := e.base
	e.base += low
	e.length = width
	if e.base < before { // carry
		for i := len(e.out) - 1; ; i-- {
			e.out[i]++
			if e.out[i] != 0 {
				break
			}
		}
	}
	for e.length < intervalMin {
		e.out = append(e.out, byte(e.base>>24))
		e.base <<= 8
		e.length <<= 8
	}
}

func (e *encoder) symbol(m *model, n int, s uint32) {
	if m.left == 0 {
		m.setUp(n)
	}
	part := e.length >> symbolShift
	low := uint32(m.below[s]) * part
	width := e.length - low
	if int(s) < n-1 {
		width = uint32(m.below[s+1])*part - low
	}
	e.add(low, width)
	m.count[s]++
	if m.left--; m.left == 0 {
		m.update()
	}
}

func (e *encoder) bits(n, v uint32) {
	if n > 19 {
		e.bits(16, v&(1<<16-1))
		n, v = n-16, v>>16
	}
	part := e.length >> n
	e.add(v*part, part)
}

func (e *encoder) bit(m *bitModel, v uint32) {
	if m.all == 0 {
		*m = bitModel{zero: 1, all: 2, cycle: 4, left: 4, probability: 1 << (bitShift - 1)}
	}
	x := m.probability * (e.length >> bitShift)
	if v == 0 {
		m.zero++
		e.add(0, x)
	} else {
		e.add(x, e.length-x)
	}
	if m.left--; m.left == 0 {
		m.update()
	}
}

// integer writes a correction.
func (e *encoder) integer(n *integer, v int32, context uint32) {
	k := uint32(0)
	for a := max(-int64(v), int64(v)-1); a > 0; a >>= 1 {
		k++
	}
	e.symbol(&n.sizes[context], int(n.width)+1, k)
	switch {
	case k == 0:
		e.bit(&n.zero, uint32(v))
		return
	case k >= 32:
		return
	}
	u := uint32(v - 1)
	if v < 0 {
		u = uint32(v + 1<<k - 1)
	}
	if k <= highBits {
		e.symbol(&n.correct[k], 1<<k, u)
		return
	}
	rest := k - highBits
	e.symbol(&n.correct[k], 1<<highBits, u>>rest)
	e.bits(rest, u&(1<<rest-1))
}

func (e *encoder) finish() []byte {
	if e.length > 2*intervalMin {
		e.add(intervalMin, intervalMin>>1)
		return append(e.out, 0, 0, 0)
	}
	e.add(intervalMin>>1, intervalMin>>9)
	return append(e.out, 0, 0)
}

// fileOf puts chunks into a file as laz.Open wants it, behind 100 bytes of
// anything. place says where the table is named: in front or at the end.
func fileOf(chunks [][]byte, points []int, atEnd bool) []byte {
	raw := make([]byte, 108)
	sizes := make([]int, len(chunks))
	for i, c := range chunks {
		raw = append(raw, c...)
		sizes[i] = len(c)
	}
	at := uint64(len(raw))
	raw = append(raw, tableOf(points, sizes)...)
	if atEnd {
		binary.LittleEndian.PutUint64(raw[100:], 1<<64-1)
		return binary.LittleEndian.AppendUint64(raw, at)
	}
	binary.LittleEndian.PutUint64(raw[100:], at)
	return raw
}

// TestChunksOfVaryingLength reads files of several chunks, the table named in
// front and at the end, and every point format.
func TestChunksOfVaryingLength(t *testing.T) {
	points := []int{1, 300, 2, 77}
	for format := range 11 {
		for _, atEnd := range []bool{false, true} {
			s := schemeOf(t, format, format%3, 3)
			var chunks [][]byte
			var want []byte
			total := 0
			for i, n := range points {
				c, r := randomChunk(t, &s, n, uint64(10*format+i))
				chunks, want, total = append(chunks, c), append(want, r...), total+n
			}
			raw := fileOf(chunks, points, atEnd)
			f, err := Open(bytes.NewReader(raw), Place{Size: int64(len(raw)), Start: 100, Points: int64(total)}, s)
			if err != nil {
				t.Fatalf("format %d: %v", format, err)
			}
			if got, err := decodeAll(f); err != nil || !bytes.Equal(got, want) || f.InOrder() {
				t.Errorf("format %d, table at the end %v: %v, equal %v", format, atEnd, err, bytes.Equal(got, want))
			}
		}
	}
}

// TestWithoutTable reads chunks of equal length whose table is missing.
func TestWithoutTable(t *testing.T) {
	for format := range 11 {
		for _, points := range [][]int{{50, 50, 50, 13}, {1, 1, 1}} {
			s := schemeOf(t, format, 1, 3)
			s.chunkPoints = int64(points[0])
			raw := make([]byte, 108)
			binary.LittleEndian.PutUint64(raw[100:], 1<<64-1)
			var want []byte
			for i, n := range points {
				c, r := randomChunk(t, &s, n, uint64(i))
				raw, want = append(raw, c...), append(want, r...)
			}
			n := int64(len(want) / s.RecordBytes())
			f, err := Open(bytes.NewReader(raw), Place{Size: int64(len(raw)), Start: 100, Points: n}, s)
			if err != nil {
				t.Fatal(err)
			}
			if got, err := decodeAll(f); err != nil || !bytes.Equal(got, want) || !f.InOrder() {
				t.Errorf("format %d, %v: %v, equal %v", format, points, err, bytes.Equal(got, want))
			}
		}
	}
}

// TestDamageIsSeen alters one byte of a chunk. Decoding that went astray ends at
// another byte than the chunk: hardly ever does it pass.
func TestDamageIsSeen(t *testing.T) {
	for _, format := range []int{0, 3, 6, 8} {
		s := schemeOf(t, format, 0, 3)
		chunk, _ := randomChunk(t, &s, 200, 5)
		seen, all := 0, 0
		for at := s.RecordBytes() + 4; at < len(chunk)-8; at += 1 + len(chunk)/200 {
			bad := bytes.Clone(chunk)
			bad[at] ^= 0x10
			raw := fileOf([][]byte{bad}, []int{200}, false)
			f, err := Open(bytes.NewReader(raw), Place{Size: int64(len(raw)), Start: 100, Points: 200}, s)
			if err == nil {
				_, err = decodeAll(f)
			}
			all++
			if err != nil {
				seen++
			}
		}
		t.Logf("format %d: %d of %d altered chunks were refused", format, seen, all)
		if 10*seen < 6*all {
			t.Errorf("format %d: only %d of %d altered chunks were refused", format, seen, all)
		}
	}
}

// withLazPerf lets an independent decoder, the npm package laz-perf 0.0.7, decode
// chunks. Of the point formats it knows 0 to 3 and 6 to 8.
const withLazPerf = `
const fs = require("fs"), make = require("laz-perf").createLazPerf;
make().then(p => {
  for (const name of fs.readdirSync(process.argv[2]).filter(n => n.endsWith(".chunk"))) {
    const [format, record, count] = name.split(".")[0].split("-").slice(0, 3).map(Number);
    const raw = fs.readFileSync(process.argv[2] + "/" + name), at = p._malloc(raw.length + 64), to = p._malloc(record);
    p.HEAPU8.set(raw, at);
    const d = new p.ChunkDecoder(), out = Buffer.alloc(record * count);
    d.open(format, record, at);
    for (let i = 0; i < count; i++) {
      d.getPoint(to);
      out.set(p.HEAPU8.subarray(to, to + record), i * record);
    }
    d.delete(); p._free(at); p._free(to);
    fs.writeFileSync(process.argv[2] + "/" + name.replace(".chunk", ".records"), out);
  }
});
`

// TestAgainstLazPerf compares whole chunks of random records, and of two sample
// files, byte for byte. The 168 random chunks reach all 256 pairs of return number
// and number of returns, and every scanner channel.
func TestAgainstLazPerf(t *testing.T) {
	if err := exec.Command("node", "-e", `require("laz-perf")`).Run(); err != nil {
		t.Skip("the npm package laz-perf is not found (npm install laz-perf, and NODE_PATH set): the outside check of LAZ is left out")
	}
	dir := t.TempDir()
	want := map[string][]byte{}
	var pairs [256]int
	var channels [4]int
	put := func(name string, chunk, records []byte) {
		want[name] = records
		if err := os.WriteFile(filepath.Join(dir, name+".chunk"), chunk, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, format := range []int{0, 1, 2, 3, 6, 7, 8} {
		for _, extra := range []int{0, 3} {
			for seed := range 12 {
				n := 400
				s := schemeOf(t, format, extra, 3)
				c, r := randomChunk(t, &s, n, uint64(seed))
				for k := 0; format >= 6 && k < len(r); k += s.RecordBytes() {
					pairs[r[k+14]]++
					channels[r[k+15]>>4&3]++
				}
				put(fmt.Sprintf("%d-%d-%d-%d", format, s.RecordBytes(), n, seed+100*extra), c, r)
			}
		}
	}
	for _, name := range []string{"plane", "point-time-color"} {
		s := loadSample(t, name+".laz")
		f, err := Open(bytes.NewReader(s.raw), s.place, s.scheme)
		if err != nil {
			t.Fatal(err)
		}
		r, err := decodeAll(f)
		if err != nil || f.Chunks() != 1 {
			t.Fatalf("%s: %v", name, err)
		}
		put(fmt.Sprintf("3-%d-%d-%s", f.RecordBytes(), s.place.Points, name), s.raw[f.chunks[0].at:][:f.chunks[0].bytes], r)
	}
	if least := min(slices.Min(pairs[:]), slices.Min(channels[:])); least == 0 {
		t.Error("the random records do not reach every pair of returns or every channel")
	}
	script := filepath.Join(dir, "decode.js")
	if err := os.WriteFile(script, []byte(withLazPerf), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("node", script, dir).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for name, w := range want {
		got, err := os.ReadFile(filepath.Join(dir, name+".records"))
		if err != nil {
			t.Error(err)
			continue
		}
		var format, record int
		if _, err := fmt.Sscanf(name, "%d-%d-", &format, &record); err != nil {
			t.Fatal(err)
		}
		if bytes.Equal(got, w) {
			continue
		}
		for k := 0; k < len(w); k += record {
			if !bytes.Equal(got[k:k+record], w[k:k+record]) {
				t.Errorf("%s: record %d:\nours   % x\ntheirs % x", name, k/record, w[k:k+record], got[k:k+record])
				break
			}
		}
	}
}
