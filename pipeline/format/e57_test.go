package format

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/klauspost/compress/gzip"

	"trammel/pipeline/format/e57"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
)

// e57Station makes a set-up of n points on a cylinder, every seventh a direction
// without a return, in a grid of 100 columns.
func e57Station(t testing.TB, name string, n int, pose *geom.Pose, plain bool) e57.Output {
	t.Helper()
	var c e57.Columns
	for i := range n {
		angle := float64(i) / 1000
		c.X, c.Y, c.Z = append(c.X, 5*math.Cos(angle)), append(c.Y, 5*math.Sin(angle)), append(c.Z, float64(i%3000)/1000)
		if plain {
			continue
		}
		c.Intensity = append(c.Intensity, float32(i%100))
		c.RGB = append(c.RGB, uint8(i), 0, 255)
		c.State = append(c.State, uint8(i%7/6))
		c.Row, c.Column = append(c.Row, int32(i/100)), append(c.Column, int32(i%100))
	}
	o, err := c.Output(e57.Scan{Name: name, Pose: pose, Intensity: e57.Limits{Max: 100}}, e57.Scaled, 1e-4)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func e57File(t testing.TB, scans ...e57.Output) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := e57.Write(&b, e57.Header{GUID: "test"}, scans); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func twoStations(t testing.TB) []byte {
	t.Helper()
	pose := geom.Pose{R: geom.RotVec(geom.Vec{Z: 1}), T: geom.Vec{X: 2, Y: 3, Z: 0.5}}
	return e57File(t, e57Station(t, "high", 20_000, &pose, false), e57Station(t, "low", 7, nil, false))
}

func openE57(t testing.TB, raw []byte, name string) *Reader {
	t.Helper()
	r, err := OpenAt(bytes.NewReader(raw), int64(len(raw)), name)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestE57About(t *testing.T) {
	a := openE57(t, twoStations(t), "a.e57").About()
	if a.Format != "e57" || a.Units != length.Metre || a.Points != 20_007 || a.Mesh || a.ScanCount() != 2 {
		t.Errorf("got %+v", a)
	}
	high, low := a.Scans[0], a.Scans[1]
	if high.Name != "high" || high.Points != 20_000 || high.Rows != 200 || high.Columns != 100 || high.IntensityMax != 100 || high.IntensityMin != 0 {
		t.Errorf("got %+v", high)
	}
	if p, ok := a.Pose(0, 1000); !ok || p.T != (geom.Vec{X: 2000, Y: 3000, Z: 500}) {
		t.Errorf("got the pose %v", p)
	}
	if low.Pose != nil || low.Points != 7 {
		t.Errorf("got %+v", low)
	}
}

// TestE57Batches reads all scans in turn: no batch mixes two of them, and blanks
// and points together are the records.
func TestE57Batches(t *testing.T) {
	r := openE57(t, twoStations(t), "a.e57")
	var records [2]int64
	last := 0
	var b Batch
	for {
		err := r.Next(&b)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		n := len(b.X)
		if len(b.Y) != n || len(b.Z) != n || len(b.Intensity) != n || len(b.RGB) != 3*n || len(b.Row) != n || len(b.Column) != n {
			t.Fatalf("columns of different lengths with %d points", n)
		}
		if b.Scan < last {
			t.Fatalf("scan %d after %d", b.Scan, last)
		}
		last = b.Scan
		records[b.Scan] += int64(n) + b.Blank
	}
	if records != [2]int64{20_000, 7} {
		t.Errorf("got %v records", records)
	}
}

func TestE57Content(t *testing.T) {
	raw := twoStations(t)
	for k, want := range [][2]int64{{17_143, 2857}, {6, 1}} { // a seventh of the records is blank
		r := openE57(t, raw, "a.e57")
		if err := r.Choose(k); err != nil {
			t.Fatal(err)
		}
		c, err := r.Content(t.Context(), 1000)
		if err != nil {
			t.Fatal(err)
		}
		if int64(c.Cloud.Len()) != want[0] || c.Blank != want[1] || c.Invalid() != 0 {
			t.Errorf("scan %d: got %d points and %d blanks, want %v", k, c.Cloud.Len(), c.Blank, want)
		}
		checkWhole(t, &c)
		if p, want := c.Cloud.At(1), (geom.Vec{X: 5000 * math.Cos(0.001), Y: 5000 * math.Sin(0.001), Z: 1}); p.Dist(want) > 0.1 {
			t.Errorf("scan %d: got the point %v, want %v", k, p, want)
		}
		if len(c.Cloud.Row) != c.Cloud.Len() || c.Cloud.Column[5] != 5 {
			t.Errorf("scan %d: the grid was lost", k)
		}
	}
	if err := openE57(t, raw, "a.e57").Choose(2); err == nil {
		t.Error("a third of two scans could be chosen")
	}
}

// TestE57MixedColumns reads a file whose scans differ in what they hold: read as
// one, only what all of them have is passed on.
func TestE57MixedColumns(t *testing.T) {
	raw := e57File(t, e57Station(t, "a", 50, nil, false), e57Station(t, "b", 50, nil, true))
	c, err := openE57(t, raw, "a.e57").Content(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	checkWhole(t, &c)
	if c.Cloud.Intensity != nil || c.Cloud.Row != nil || c.Cloud.Len() != 93 { // 50 and 43, 7 blank
		t.Errorf("got %d points with %d intensities", c.Cloud.Len(), len(c.Cloud.Intensity))
	}
}

func TestE57Compressed(t *testing.T) {
	raw := twoStations(t)
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	if _, err := z.Write(raw); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	want, err := openE57(t, raw, "a.e57").Content(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	got, err := openE57(t, packed.Bytes(), "a.e57.gz").Content(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if got.About.Compression != "gzip" || !slices.Equal(got.Cloud.X, want.Cloud.X) {
		t.Error("the packed file came back as another")
	}
	half := packed.Bytes()[:packed.Len()/2]
	_, err = OpenAt(bytes.NewReader(half), int64(len(half)), "a.e57.gz")
	mustRefuse(t, err, "breaks off")
}

// TestE57Damage flips a byte in every page: the checksum gives it away.
func TestE57Damage(t *testing.T) {
	raw := twoStations(t)
	for at := 7; at < len(raw); at += 1024 {
		bad := slices.Clone(raw)
		bad[at] ^= 0x10
		r, err := OpenAt(bytes.NewReader(bad), int64(len(bad)), "a.e57")
		if err == nil {
			_, err = r.Content(t.Context(), 1)
		}
		if at < 8 {
			mustRefuse(t, err, "")
			continue
		}
		mustRefuse(t, err, "checksum")
	}
}

// TestE57Samples reads real files by the way that the program takes; the values
// themselves are tested in the package of the format.
func TestE57Samples(t *testing.T) {
	folder := filepath.Join(sampleFolder, "..", "e57")
	if _, err := os.Stat(folder); err != nil {
		t.Skip("the folder with real E57 files is not beside this repository")
	}
	for name, want := range map[string]struct {
		points int
		blank  int64
	}{ // counts known from the sources' tests, see SOURCE.md there
		"bunnyInt19.e57": {30571, 0}, "bunnyDouble.e57": {30571, 0}, "tiny_spherical.e57": {180, 180},
		"ColouredCubeFloat.e57": {7680, 0}, "ZeroPoints.e57": {0, 0}, "empty.e57": {0, 0}, "empty_pc.e57": {0, 0},
	} {
		c, err := Read(t.Context(), filepath.Join(folder, name), 0, 1000)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if c.Cloud.Len() != want.points || c.Blank != want.blank {
			t.Errorf("%s: got %d points and %d blanks, want %+v", name, c.Cloud.Len(), c.Blank, want)
		}
	}
	for _, name := range []string{"bad-crc.e57", "InvalidCVHeader.e57"} {
		_, err := Read(t.Context(), filepath.Join(folder, name), 0, 1000)
		mustRefuse(t, err, "")
	}
}

// FuzzE57 reads arbitrary files by the way that the program takes. What lies
// behind the checksums is fuzzed in the package of the format.
func FuzzE57(f *testing.F) {
	fuzz(f, "a.e57", string(twoStations(f)), string(e57File(f)), string(e57File(f, e57Station(f, "a", 9, nil, true))))
}

// bigE57 writes n points as a tripod scanner would: 0.1 mm steps in a room, 17 or
// 18 bits a coordinate.
func bigE57(b *testing.B, n int64) string {
	const side = 20.0
	fill := func(first int64, columns [][]float64) error {
		for i := range columns[0] {
			k := float64(first + int64(i))
			columns[0][i], columns[1][i] = side/2*math.Sin(k/1e4), side/2*math.Cos(k/1e4)
			columns[2][i] = side / 2 * math.Mod(k, 3000) / 3000
		}
		return nil
	}
	s := e57.Scan{Name: "big", Records: n}
	for _, name := range []string{"cartesianX", "cartesianY", "cartesianZ"} {
		s.Fields = append(s.Fields, e57.Field{Name: name, Kind: e57.Scaled, Min: -100_000, Max: 100_000, Scale: 1e-4})
	}
	return writeFile(b, "big.e57", func(w *bufio.Writer) error {
		return e57.Write(w, e57.Header{GUID: "big"}, []e57.Output{{Scan: s, Fill: fill}})
	})
}

const bigE57Points = 10_000_000

// BenchmarkNextE57 streams 10 M points from the page cache, checksums included.
func BenchmarkNextE57(b *testing.B) {
	path := bigE57(b, bigE57Points)
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(info.Size())
	b.ReportAllocs()
	var batch Batch
	for b.Loop() {
		r, err := Open(path)
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		for err = r.Next(&batch); err == nil; err = r.Next(&batch) {
			n += len(batch.X)
		}
		if !errors.Is(err, io.EOF) || n != bigE57Points {
			b.Fatal(n, err)
		}
		if err := r.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)*bigE57Points/b.Elapsed().Seconds()/1e6, "Mpoints/s")
}

// BenchmarkReadE57 makes a cloud in memory of the same file.
func BenchmarkReadE57(b *testing.B) {
	benchRead(b, bigE57(b, bigE57Points))
	b.ReportMetric(float64(b.N)*bigE57Points/b.Elapsed().Seconds()/1e6, "Mpoints/s")
}
