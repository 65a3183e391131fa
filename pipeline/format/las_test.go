package format

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/scan"
)

// lasFolder holds files of the test folders of general LAS libraries; its
// SOURCE.md names sources and licences.
const lasFolder = "../../../shared/data/las"

func lasSamples(t testing.TB) (list []struct {
	Path   string
	Expect struct {
		Verdict string
		Points  int64
		Read    struct {
			Recount *struct{ Min, Max [3]float64 } `json:"bounds_recount"`
			Bounds  struct{ Min, Max [3]float64 }
		}
	}
}) {
	raw, err := os.ReadFile(filepath.Join(lasFolder, "expected.json"))
	if err != nil {
		t.Skip("the LAS sample files are not beside this repository: ", err)
	}
	all := struct{ Files any }{&list}
	if err := json.Unmarshal(raw, &all); err != nil {
		t.Fatal(err)
	}
	return list
}

// places reads every point of a file as float64.
func places(path string) (p [][3]float64, blank int64, about About, err error) {
	r, err := Open(path)
	if err != nil {
		return nil, 0, About{}, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	var b Batch
	for err == nil {
		if err = r.Next(&b); err == nil {
			blank += b.Blank
			for i := range b.X {
				p = append(p, [3]float64{b.X[i], b.Y[i], b.Z[i]})
			}
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return p, blank, r.About(), err
}

// Counts and bounds are those of an independent script over headers and records.
func TestLASSamples(t *testing.T) {
	for _, s := range lasSamples(t) {
		t.Run(s.Path, func(t *testing.T) {
			p, blank, about, err := places(filepath.Join(lasFolder, s.Path))
			if s.Expect.Verdict == "damaged" {
				mustRefuse(t, err, "")
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if int64(len(p))+blank != s.Expect.Points || about.Points != s.Expect.Points {
				t.Errorf("got %d points and %d blanks, announced %d; want %d", len(p), blank, about.Points, s.Expect.Points)
			}
			want := s.Expect.Read.Bounds
			if s.Expect.Read.Recount != nil {
				want = *s.Expect.Read.Recount
			}
			if blank > 0 || len(p) == 0 {
				return // the list counts withheld points into the bounds; some headers keep theirs as float32
			}
			for axis := range 3 {
				lo, hi := math.Inf(1), math.Inf(-1)
				for _, v := range p {
					lo, hi = min(lo, v[axis]), max(hi, v[axis])
				}
				if math.Abs(lo-want.Min[axis]) > 1e-5 || math.Abs(hi-want.Max[axis]) > 1e-5 {
					t.Errorf("axis %d from %v to %v, want %v to %v", axis, lo, hi, want.Min[axis], want.Max[axis])
				}
			}
		})
	}
}

// Files that are there packed and plain hold the same points.
func TestLAZHoldsWhatLASHolds(t *testing.T) {
	lasSamples(t)
	for _, pair := range [][2]string{{"point10.laz", "point10.las"}, {"pdrf6-1.4.laz", "pdrf6-1.4.las"}} {
		a, _, _, errA := places(filepath.Join(lasFolder, pair[0]))
		b, _, _, errB := places(filepath.Join(lasFolder, pair[1]))
		if errA != nil || errB != nil || len(a) == 0 || !slices.Equal(a, b) {
			t.Errorf("%v: %d and %d points, %v, %v", pair, len(a), len(b), errA, errB)
		}
	}
}

// lasFile is a LAS file of version 1.minor and a point format, with n points in
// steps of a millimetre; the i-th is at (i, 2i, −i) mm.
func lasFile(minor, format, n int) []byte {
	size := map[bool]int{true: lasHead14, false: lasHead}[minor >= 4]
	record := lasLayouts[format].record
	raw := make([]byte, size+n*record)
	le := binary.LittleEndian
	copy(raw, "LASF")
	raw[24], raw[25], raw[104] = 1, byte(minor), byte(format)
	le.PutUint16(raw[94:], uint16(size))
	le.PutUint32(raw[96:], uint32(size))
	le.PutUint16(raw[105:], uint16(record))
	if minor >= 4 {
		le.PutUint64(raw[247:], uint64(n))
	} else {
		le.PutUint32(raw[107:], uint32(n))
	}
	for k := range 3 {
		le.PutUint64(raw[131+8*k:], math.Float64bits(0.001))
	}
	for i := range n {
		p := raw[size+i*record:]
		for k, v := range []int32{int32(i), int32(2 * i), int32(-i)} {
			le.PutUint32(p[4*k:], uint32(v))
		}
		le.PutUint16(p[12:], uint16(i))
		if at := lasLayouts[format].rgb; at > 0 {
			le.PutUint16(p[at:], uint16(i)<<8)
			le.PutUint16(p[at+2:], 0x1234)
		}
	}
	return raw
}

func readAll(t testing.TB, name string, raw []byte) (Content, error) {
	t.Helper()
	r, err := OpenAt(bytes.NewReader(raw), int64(len(raw)), name)
	if err != nil {
		return Content{}, err
	}
	c, err := r.Content(t.Context(), 1)
	return c, errors.Join(err, r.Close())
}

func TestEveryLASPointFormat(t *testing.T) {
	for format := range lasFormats {
		minor := 2
		if format >= 4 {
			minor = 4
		}
		raw := lasFile(minor, format, 9000)
		c, err := readAll(t, "a.las", raw)
		if err != nil || c.Cloud.Len() != 9000 {
			t.Fatalf("format %d: %v", format, err)
		}
		if p := c.Cloud.At(8999); math.Abs(p.X-8.999) > 1e-6 || math.Abs(p.Y-17.998) > 2e-6 || math.Abs(p.Z+8.999) > 1e-6 || c.Cloud.Intensity[8999] != 8999 {
			t.Errorf("format %d: last point %v, intensity %g", format, p, c.Cloud.Intensity[8999])
		}
		r, err := OpenAt(bytes.NewReader(raw), int64(len(raw)), "a.las")
		if err != nil {
			t.Fatal(err)
		}
		var b Batch
		if err := r.Next(&b); err != nil {
			t.Fatal(err)
		}
		if hasColour := lasLayouts[format].rgb > 0; hasColour != (len(b.RGB) > 0) || hasColour && !slices.Equal(b.RGB[3*7:3*7+3], []uint8{7, 0x12, 0}) {
			t.Errorf("format %d: colours %v", format, b.RGB[:min(len(b.RGB), 24)])
		}
	}
}

func TestWithheldPointsAreNotUsed(t *testing.T) {
	raw := lasFile(2, 0, 100)
	for i := 0; i < 100; i += 4 {
		raw[lasHead+20*i+15] |= 0x80
	}
	c, err := readAll(t, "a.las", raw)
	if err != nil || c.Cloud.Len() != 75 || c.Blank != 25 || c.Cloud.X[0] == 0 || len(c.About.Notes) == 0 {
		t.Errorf("%d points, %d blank, %v, %v", c.Cloud.Len(), c.Blank, c.About.Notes, err)
	}
}

// A file that is cut anywhere, or whose header lies, is refused and takes no
// memory for what is not there.
func TestDamagedLAS(t *testing.T) {
	good := lasFile(4, 7, 500)
	for cut := range 50 {
		if _, err := readAll(t, "a.las", good[:len(good)*cut/50]); !errors.Is(err, scan.ErrTruncated) && !errors.Is(err, scan.ErrFormat) {
			t.Errorf("cut at %d of %d: %v", len(good)*cut/50, len(good), err)
		}
	}
	if _, err := readAll(t, "a.las", good[:len(good)-1]); !errors.Is(err, scan.ErrTruncated) {
		t.Errorf("one byte short: %v", err)
	}
	le := binary.LittleEndian
	for name, spoil := range map[string]func(raw []byte){
		"2^63 points":       func(raw []byte) { le.PutUint64(raw[247:], 1<<63) },
		"all points":        func(raw []byte) { le.PutUint64(raw[247:], math.MaxUint64) },
		"points far behind": func(raw []byte) { le.PutUint32(raw[96:], math.MaxUint32) },
		"points in header":  func(raw []byte) { le.PutUint32(raw[96:], 8) },
		"many records":      func(raw []byte) { le.PutUint32(raw[100:], math.MaxUint32) },
		"short records":     func(raw []byte) { le.PutUint16(raw[105:], 4) },
		"no scale":          func(raw []byte) { le.PutUint64(raw[131:], 0) },
		"scale no number":   func(raw []byte) { le.PutUint64(raw[131:], math.Float64bits(math.NaN())) },
		"unknown format":    func(raw []byte) { raw[104] = 17 },
		"version 2":         func(raw []byte) { raw[24] = 2 },
		"packed, no scheme": func(raw []byte) { raw[104] |= 0x80 },
	} {
		raw := bytes.Clone(good)
		spoil(raw)
		if _, err := readAll(t, "a.las", raw); !errors.Is(err, scan.ErrTruncated) && !errors.Is(err, scan.ErrFormat) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// lasEdges are where the parts of a LAS file of version 1.4 begin and end.
func lasEdges(raw []byte, record int) []int {
	edges := []int{1, 4, 24, 26, 58, 90, 94, 96, 100, 104, 105, 107, 111, 131, 155, 179, 187, 227, 235, 247, 255, lasHead14}
	at := lasHead14
	for range binary.LittleEndian.Uint32(raw[100:]) {
		edges = append(edges, at+lasVLRHead)
		at += lasVLRHead + int(binary.LittleEndian.Uint16(raw[at+20:]))
		edges = append(edges, at)
	}
	for at += record; at < len(raw); at += record {
		edges = append(edges, at)
	}
	return edges
}

func TestLASCutAtItsEdges(t *testing.T) {
	good := geoKeys(wellKnown(lasFile(4, 3, 20), wktUTM), [2]uint16{3076, 9001})
	if c, err := readAll(t, "a.las", good); err != nil || c.Cloud.Len() != 20 {
		t.Fatal(err)
	}
	for _, edge := range lasEdges(good, lasLayouts[3].record) {
		for _, at := range []int{edge - 1, edge, edge + 1} {
			_, err := readAll(t, "a.las", good[:min(at, len(good)-1)])
			mustRefuse(t, err, "")
			if at >= lasHead14 && !errors.Is(err, scan.ErrTruncated) {
				t.Errorf("cut at %d: got %v, want it to be called cut", at, err)
			}
		}
	}
	_, err := readAll(t, "a.las", good[:len(good)-1])
	mustRefuse(t, err, "promises 20 points of 34 bytes, 19 are there")
}

// Offsets and scales at the ends of what a float64 holds give coordinates that
// are left out or kept, and nothing else.
func TestLASWithWildScales(t *testing.T) {
	for _, c := range []struct {
		offset, scale float64
		invalid       int64
	}{
		{-1e9, 0.001, 0}, {1e11, 0.001, 0}, {1e13, 0.001, 50}, {-1e308, 0.001, 50}, {math.MaxFloat64, math.MaxFloat64, 50},
		{0, -0.001, 0}, {0, 5e-324, 0}, {0, 1e300, 49},
	} {
		raw := lasFile(2, 1, 50)
		for k := range 3 {
			binary.LittleEndian.PutUint64(raw[131+8*k:], math.Float64bits(c.scale))
			binary.LittleEndian.PutUint64(raw[155+8*k:], math.Float64bits(c.offset))
		}
		got, err := readAll(t, "a.las", raw)
		if err != nil || got.Invalid() != c.invalid || int64(got.Cloud.Len()) != 50-c.invalid {
			t.Errorf("offset %g, scale %g: %d invalid, %v", c.offset, c.scale, got.Invalid(), err)
		}
	}
}

// Notes say what is odd about a file that is readable all the same.
func TestLASNotes(t *testing.T) {
	le := binary.LittleEndian
	bound := func(low, high float64) func([]byte) {
		return func(raw []byte) {
			for k := range 3 {
				le.PutUint64(raw[179+16*k:], math.Float64bits(high))
				le.PutUint64(raw[187+16*k:], math.Float64bits(low))
			}
		}
	}
	for _, c := range []struct {
		name  string
		spoil func(raw []byte)
		note  string
	}{
		{"bounds that hold all", bound(-1, 1), ""},
		{"bounds a step off", bound(-0.018, 0.037), ""},
		{"bounds too narrow", bound(-0.018, 0.030), "8 steps"},
		{"bounds upside down", bound(1, -1), "no bounds"},
		{"bounds left at zero", bound(0, 0), "no bounds"},
		{"counts that differ", func(raw []byte) { bound(-1, 1)(raw); le.PutUint32(raw[107:], 7) }, "as 20 and as 7"},
		{"fewer points than there are", func(raw []byte) { bound(-1, 1)(raw); le.PutUint64(raw[247:], 12) }, ""},
		{"colours of 8 bits", func(raw []byte) {
			bound(-1, 1)(raw)
			for at := lasHead14 + 30; at < len(raw); at += 36 {
				copy(raw[at:], []byte{9, 0, 8, 0, 7, 0})
			}
		}, "8 of their 16 bits"},
	} {
		raw := lasFile(4, 7, 20)
		c.spoil(raw)
		r, err := OpenAt(bytes.NewReader(raw), int64(len(raw)), "a.las")
		if err != nil {
			t.Fatal(err)
		}
		var b Batch
		for err == nil {
			if err = r.Next(&b); err == nil && c.name == "colours of 8 bits" && !slices.Equal(b.RGB[:3], []uint8{9, 8, 7}) {
				t.Errorf("colours %v", b.RGB[:3])
			}
		}
		notes := strings.Join(r.About().Notes, " ")
		if !errors.Is(err, io.EOF) || (c.note == "") != (notes == "") || !strings.Contains(notes, c.note) {
			t.Errorf("%s: notes %q, %v, want %q", c.name, notes, err, c.note)
		}
	}
}

// Decompressed points that leave the bounds of the header are damage: there is
// no other check of them.
func TestLAZOutsideItsBounds(t *testing.T) {
	lasSamples(t)
	raw, err := os.ReadFile(filepath.Join(lasFolder, "point10.laz"))
	if err != nil {
		t.Fatal(err)
	}
	high := math.Float64frombits(binary.LittleEndian.Uint64(raw[179:]))
	for steps, says := range map[float64]string{0: "", 0.9: "", 3: "outside the bounds"} {
		bad := bytes.Clone(raw)
		binary.LittleEndian.PutUint64(bad[179:], math.Float64bits(high-0.01*steps))
		if _, err := readAll(t, "a.laz", bad); says == "" && err != nil || says != "" && (err == nil || !strings.Contains(err.Error(), says)) {
			t.Errorf("bound moved by %g steps: got %v, want %q", steps, err, says)
		}
	}
}

// The number of workers changes no byte of what is read.
func TestLAZWithAnyNumberOfWorkers(t *testing.T) {
	lasSamples(t)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	var first [][3]float64
	for _, n := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(n)
		p, _, _, err := places(filepath.Join(lasFolder, "plane.laz"))
		if err != nil || first != nil && !slices.Equal(p, first) {
			t.Errorf("%d workers: %d points, %v", n, len(p), err)
		}
		first = p
	}
}

// A LAZ file that is cut or altered is refused, or gives points within the
// bounds of its header; it never ends the program.
func TestDamagedLAZ(t *testing.T) {
	lasSamples(t)
	for _, name := range []string{"point10.laz", "pdrf6-1.4.laz", "pdrf4-1.3.laz"} {
		good, err := os.ReadFile(filepath.Join(lasFolder, name))
		if err != nil {
			t.Fatal(err)
		}
		for cut := range 50 {
			if _, err := readAll(t, name, good[:len(good)*cut/50]); err == nil {
				t.Errorf("%s cut at %d of %d is read", name, len(good)*cut/50, len(good))
			}
		}
		for at := 0; at < len(good); at += 1 + len(good)/300 {
			raw := bytes.Clone(good)
			raw[at] ^= 0x55
			if c, err := readAll(t, name, raw); err == nil && c.Cloud == nil {
				t.Errorf("%s altered at %d gives nothing", name, at)
			}
		}
	}
}

// guarded reads content as a fuzz target does and holds memory to 64 MiB and four
// times the file.
func guarded(t *testing.T, name string, raw []byte) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	c, err := readAll(t, name, raw)
	runtime.ReadMemStats(&after)
	if taken := int64(after.TotalAlloc - before.TotalAlloc); taken > 3*(leastRoom+4*int64(len(raw))) {
		t.Errorf("%d bytes took %d bytes of memory in all", len(raw), taken)
	}
	if err == nil {
		checkWhole(t, &c)
	} else if !errors.Is(err, scan.ErrFormat) && !errors.Is(err, scan.ErrTruncated) {
		t.Errorf("the error is neither of format nor of length: %v", err)
	}
}

// mostSeed keeps large samples out of the seeds: they take so long that hardly any
// input would be tried. The corpus has a small file of every point format.
const mostSeed = 5000

func seedSamples(f *testing.F, folder, pattern string) {
	paths, err := filepath.Glob(filepath.Join(folder, pattern))
	if err != nil {
		f.Fatal(err)
	}
	for _, p := range paths {
		raw, err := os.ReadFile(p)
		if err != nil {
			f.Fatal(err)
		}
		if len(raw) < mostSeed {
			f.Add(raw)
		}
	}
}

func FuzzLAS(f *testing.F) {
	for format := range lasFormats {
		f.Add(lasFile(4, format, 3))
	}
	f.Add(geoKeys(lasFile(2, 0, 2), [2]uint16{3076, 9001}))
	f.Add(wellKnown(lasFile(4, 6, 2), wktHeights))
	seedSamples(f, lasFolder, "*.las")
	f.Fuzz(func(t *testing.T, raw []byte) { guarded(t, "a.las", raw) })
}

// FuzzLAZ begins with the files of its corpus: random records in three chunks of 6,
// 1 and 9 points, one file a point format.
func FuzzLAZ(f *testing.F) {
	f.Fuzz(func(t *testing.T, raw []byte) { guarded(t, "a.laz", raw) })
}

func BenchmarkLAS(b *testing.B) {
	for _, format := range []int{0, 3, 7} {
		raw := lasFile(4, format, 2_000_000)
		b.Run(map[int]string{0: "format-0", 3: "format-3", 7: "format-7"}[format], func(b *testing.B) {
			b.SetBytes(int64(len(raw)))
			b.ReportAllocs()
			for b.Loop() {
				stream(b, "a.las", raw)
			}
			b.ReportMetric(2*float64(b.N)/b.Elapsed().Seconds(), "Mpoints/s")
		})
	}
}

func BenchmarkLAZ(b *testing.B) {
	lasSamples(b)
	for _, name := range []string{"plane.laz", "point-time-color.laz", "pdrf6-1.4.laz"} {
		raw, err := os.ReadFile(filepath.Join(lasFolder, name))
		if err != nil {
			b.Fatal(err)
		}
		c, err := readAll(b, name, raw)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(raw)))
			b.ReportAllocs()
			for b.Loop() {
				stream(b, name, raw)
			}
			b.ReportMetric(float64(int64(c.Cloud.Len())+c.Blank)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpoints/s")
		})
	}
}
