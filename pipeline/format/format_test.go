package format

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// parse reads content given as a string.
func parse(t *testing.T, name, content string, scale float64) (Content, error) {
	t.Helper()
	r, err := OpenAt(strings.NewReader(content), int64(len(content)), name)
	if err != nil {
		return Content{}, err
	}
	defer func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}()
	return r.Content(context.Background(), scale)
}

func mustParse(t *testing.T, name, content string) Content {
	t.Helper()
	c, err := parse(t, name, content, 1)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// minimalPLY is the sample of CV-8.1 (G. Turk, 1994): three vertices, one face.
const minimalPLY = "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n" +
	"element face 1\nproperty list uchar int vertex_indices\nend_header\n0 0 0\n1 0 1\n0 1 1\n3 0 1 2\n"

func TestMinimalPLY(t *testing.T) {
	c := mustParse(t, "a.ply", minimalPLY)
	if c.Mesh.Vertices() != 3 || c.Mesh.Triangles() != 1 || c.Mesh.At(1) != (geom.Vec{X: 1, Z: 1}) {
		t.Errorf("got %+v, want the three vertices and the face of the sample", c.Mesh)
	}
	crlf := mustParse(t, "a.ply", strings.ReplaceAll(minimalPLY, "\n", "\r\n"))
	if crlf.Mesh.Area() != c.Mesh.Area() {
		t.Errorf("CR LF: got the area %g, want %g", crlf.Mesh.Area(), c.Mesh.Area())
	}
}

func TestPLYWithEveryType(t *testing.T) {
	var b bytes.Buffer
	b.WriteString("ply\r\nformat binary_big_endian 1.0\r\nobj_info units m\r\nelement pose 2\r\nproperty list ushort double a\r\nproperty char c\r\n" +
		"element vertex 2\r\nproperty uchar red\r\nproperty double z\r\nproperty short x\r\nproperty float intensity\r\nproperty uint y\r\nend_header\r\n")
	b.Write([]byte{0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 7, 0, 0, 9}) // a list of one, then an empty one
	b.Write([]byte{255, 0xC0, 0x08, 0, 0, 0, 0, 0, 0, 0xFF, 0xFE, 0x3F, 0x80, 0, 0, 0, 0, 0, 5})
	b.Write([]byte{0, 0x3F, 0xF8, 0, 0, 0, 0, 0, 0, 0, 3, 0x40, 0, 0, 0, 0, 1, 0, 0})
	c := mustParse(t, "a.ply", b.String())
	if c.About.Units != length.Metre || c.About.Encoding != "binary big-endian" {
		t.Errorf("got %+v, want metres in big-endian", c.About)
	}
	if got, want := c.Cloud.At(0), (geom.Vec{X: -2, Y: 5, Z: -3}); got != want {
		t.Errorf("point 0: got %v, want %v", got, want)
	}
	if got, want := c.Cloud.At(1), (geom.Vec{X: 3, Y: 65536, Z: 1.5}); got != want {
		t.Errorf("point 1: got %v, want %v", got, want)
	}
	if c.Cloud.Intensity[0] != 1 || c.Cloud.Intensity[1] != 2 {
		t.Errorf("got intensities %v, want 1 and 2", c.Cloud.Intensity)
	}
}

func TestRefusals(t *testing.T) {
	head := func(vertices string) string {
		return "ply\nformat binary_little_endian 1.0\nelement vertex " + vertices + "\nproperty float x\nproperty float y\nproperty float z\nend_header\n"
	}
	las := append([]byte("LASF"), make([]byte, 200)...)
	laz := bytes.Clone(las)
	laz[104] = 0x83
	cases := []struct{ name, file, content, says string }{
		{"empty", "a.ply", "", "the file is empty"},
		{"cut binary", "a.ply", head("100") + "123456789012345", "promises 100 rows"},
		{"absurd count", "a.ply", head("9223372036854775807") + "123456789012", "1 are there"},
		{"count beyond int64", "a.ply", head("9223372036854775808"), "is not a count"},
		{"negative count", "a.ply", head("-1"), "is not a count"},
		{"cut header", "a.ply", "ply\nformat ascii 1.0\n", "without end_header"},
		{"cut ascii", "a.ply", minimalPLY[:len(minimalPLY)-8], `rows of "face"`},
		{"word for number", "a.ply", strings.Replace(minimalPLY, "1 0 1", "1 zero 1", 1), "not made of numbers"},
		{"face beyond", "a.ply", strings.Replace(minimalPLY, "3 0 1 2", "3 0 1 3", 1), "refers to point 3"},
		{"negative corner", "a.ply", strings.Replace(minimalPLY, "3 0 1 2", "3 0 1 -2", 1), "cannot have"},
		{"long list", "a.ply", "ply\nformat binary_little_endian 1.0\nelement face 1\nproperty list uint int vertex_indices\nend_header\n\xff\xff\xff\xff1234", "4294967295 numbers"},
		{"binary STL cut", "a.stl", "binary" + strings.Repeat("\x00", 74) + "\x09\x00\x00\x00" + strings.Repeat("\x01", 60), "promises 9 facets"},
		{"ascii STL cut", "a.stl", "solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\n", "no endsolid"},
		{"prose", "a.txt", "Remember the milk.\n", "without a line of three numbers"},
		{"e57", "a.e57", "ASTM-E57\x01\x00\x00\x00", "E57"},
		{"e57 in disguise", "a.ply", "ASTM-E57\x01\x00\x00\x00", "E57"},
		{"las", "a.las", string(las), "LAS header"},
		{"laz", "a.laz", string(laz), "LAS header"},
		{"pcd", "a.pcd", "# .PCD v.7\nVERSION .7\n", "no DATA line"},
		{"glb", "a.glb", "glTF\x02\x00\x00\x00", "GLB ends"},
		{"zip", "a.zip", "PK\x03\x04", "unpack"},
		{"jpeg", "a.jpg", "\xff\xd8\xff\xe0\x00\x10JFIF", "binary"},
		{"pts short", "a.pts", "3\n1 2 3\n4 5 6\n", "promises 3 points"},
		{"torn line", "a.xyz", "1 2 3\n4 5 6\n7 8", "torn"},
		{"text gone astray", "a.csv", "1,2,3\n" + strings.Repeat("a,b,c\n", 30), "more lines are none"},
		{"text with a hole", "a.csv", "1,2,3\n4,,6\n7,8,9\n", "line 2"},
		{"a grid with a pose", "a.txt", "2\n3\n0 0 0\n1 0 0\n0 1 0\n0 0 1\n1 0 0 0\n0 1 0 0\n", "size of a grid"},
		{"zero corner", "a.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 0 1 2\n", "count from 1"},
		{"too negative", "a.obj", "v 0 0 0\nf -1 -2 -3\n", "came before"},
		{"broken gzip", "a.ply.gz", "\x1f\x8b\x08\x00garbage and more of it", ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := parse(t, c.file, c.content, 1)
			mustRefuse(t, err, c.says)
			if !strings.Contains(err.Error(), strings.TrimSuffix(c.file, ".gz")) {
				t.Errorf("the error %q does not name the file", err)
			}
		})
	}
}

func TestFoldersAndMissingFiles(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "s01.ply")
	if err := os.Mkdir(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	_, err := Read(context.Background(), folder, 0, 1)
	mustRefuse(t, err, "folder")
	if _, err := Read(context.Background(), folder+"x", 0, 1); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v, want not-exist", err)
	}
}

func TestText(t *testing.T) {
	cases := []struct {
		name, content string
		want          geom.Vec // of the second point
		intensity     bool
		normals       bool
	}{
		{"blanks", "1 2 3\n4 5 6\n", geom.Vec{X: 4, Y: 5, Z: 6}, false, false},
		{"commas and heading", "X,Y,Z,Intensity\r\n1,2,3,9\r\n4,5,6,9\r\n", geom.Vec{X: 4, Y: 5, Z: 6}, true, false},
		{"columns in another order", "z;x;y\n3;1;2\n6;4;5\n", geom.Vec{X: 4, Y: 5, Z: 6}, false, false},
		{"decimal commas", "1,5 2,5 3,5\n4,25 5,5 6,5\n", geom.Vec{X: 4.25, Y: 5.5, Z: 6.5}, false, false},
		{"decimal commas between semicolons", "1,5;2,5;3\n4,25;5,5;6,5\n", geom.Vec{X: 4.25, Y: 5.5, Z: 6.5}, false, false},
		{"commas and blanks", "1, 2, 3\n4, 5, 6\n", geom.Vec{X: 4, Y: 5, Z: 6}, false, false},
		{"count line", "2\n1 2 3 -100 9 9 9\n4 5 6 100 9 9 9\n", geom.Vec{X: 4, Y: 5, Z: 6}, true, false},
		{"normals", "1 2 3 0 0 1\n4 5 6 0.6 0 0.8\n", geom.Vec{X: 4, Y: 5, Z: 6}, false, true},
		{"colours", "1 2 3 0 0 1\n4 5 6 255 0 0\n", geom.Vec{X: 4, Y: 5, Z: 6}, false, false},
		{"comments", "# made by hand\n1 2 3\n\n// more\n4 5 6\n", geom.Vec{X: 4, Y: 5, Z: 6}, false, false},
		{"byte-order mark", "\xef\xbb\xbf1 2 3\n4 5 6", geom.Vec{X: 4, Y: 5, Z: 6}, false, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := mustParse(t, "a.txt", c.content).Cloud
			if got.Len() != 2 || got.At(1) != c.want {
				t.Fatalf("got %d points, the last %v, want 2 and %v", got.Len(), got.At(got.Len()-1), c.want)
			}
			if (got.Intensity != nil) != c.intensity || got.HasNormals() != c.normals {
				t.Errorf("got intensity %v, normals %v, want %v, %v", got.Intensity != nil, got.HasNormals(), c.intensity, c.normals)
			}
		})
	}
}

func TestDeclaredUnit(t *testing.T) {
	for comment, want := range map[string]length.Unit{
		"comment units mm":            length.Millimetre,
		"obj_info Units=in":           length.Inch,
		"comment unit: Metres":        length.Metre,
		"all units in mm please":      length.Millimetre,
		"units are in feet":           length.Foot,
		"units in":                    length.Inch,
		"COORDINATE UNIT centimeters": length.Centimetre,
		"comment made in m":           length.Unknown,
		"comment units":               length.Unknown,
		"comment units parsec":        length.Unknown,
	} {
		if got := declaredUnit(comment); got != want {
			t.Errorf("%q: got %q, want %q", comment, got, want)
		}
	}
}

func TestWeldingIsExact(t *testing.T) {
	m := &scan.Mesh{X: []float32{0, 1, 1, 0}, Y: []float32{0, 0, 1, 1}, Z: []float32{0, 0, 0, 1e-30}, Tri: []int32{0, 1, 2, 0, 2, 3}}
	var b bytes.Buffer
	if err := WriteSTL(&b, m, WriteOptions{}); err != nil {
		t.Fatal(err)
	}
	if got := mustParse(t, "a.stl", b.String()).Mesh; got.Vertices() != 4 || got.Triangles() != 2 {
		t.Errorf("got %d vertices and %d triangles, want 4 and 2", got.Vertices(), got.Triangles())
	}
	binary.LittleEndian.PutUint32(b.Bytes()[84+12:], math.Float32bits(math.Nextafter32(0, 1)))
	if got := mustParse(t, "a.stl", b.String()).Mesh; got.Vertices() != 5 {
		t.Errorf("one corner moved by the least: got %d vertices, want 5", got.Vertices())
	}
}

func TestInvalidPointsKeepTheMeshWhole(t *testing.T) {
	c := mustParse(t, "a.obj", "v nan 0 0\nv 0 0 0\nv 1 0 0\nv 1e300 0 0\nv 0 1 0\nf 2 3 5\nf 1 2 3\n")
	if c.Invalid() != 2 || c.LostTriangles != 1 || c.Mesh.Triangles() != 1 || c.Mesh.Area() != 0.5 {
		t.Errorf("got %d invalid, %d lost, area %g, want 2, 1, 0.5", c.Invalid(), c.LostTriangles, c.Mesh.Area())
	}
	d := mustParse(t, "a.xyz", "1 2 3 7\nnan 0 0 8\n4 5 6 9\n")
	if d.Invalid() != 1 || d.Cloud.Len() != 2 || d.Cloud.Intensity[1] != 9 {
		t.Errorf("got %d invalid and %+v, want 1 and the others with their intensity", d.Invalid(), d.Cloud)
	}
}

// TestFarFromZero expects millimetres to survive coordinates of a national grid,
// also where the file begins with zero returns.
func TestFarFromZero(t *testing.T) {
	var b strings.Builder
	b.WriteString("0 0 0\n")
	for i := range 300 {
		fmt.Fprintf(&b, "%.4f %.4f %.4f\n", 289814.15+0.01*float64(i), 4320978.61+0.001*float64(i*i%97), 170.76)
	}
	c, err := parse(t, "a.xyz", b.String(), 1000)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 300 {
		want := geom.Vec{X: 289814150 + 10*float64(i), Y: 4320978610 + float64(i*i%97), Z: 170760}
		if d := c.Cloud.At(i + 1).Dist(want); d > 0.01 {
			t.Fatalf("point %d is off by %g mm", i, d)
		}
	}
}

func TestCompressed(t *testing.T) {
	for name, pack := range map[string]func(io.Writer) io.WriteCloser{
		"a.ply.gz": func(w io.Writer) io.WriteCloser { return gzip.NewWriter(w) },
		"a.ply.zst": func(w io.Writer) io.WriteCloser {
			z, err := zstd.NewWriter(w)
			if err != nil {
				t.Fatal(err)
			}
			return z
		},
	} {
		packed := packWith(t, pack, minimalPLY)
		c := mustParse(t, name, packed)
		if c.Mesh == nil || c.Mesh.Triangles() != 1 || c.About.Compression == "" {
			t.Errorf("%s: got %+v, want the one triangle", name, c)
		}
		_, err := parse(t, name, packed[:len(packed)-9], 1)
		mustRefuse(t, err, "")
		_, err = parse(t, name, packWith(t, pack, minimalPLY+strings.Repeat(" ", 64<<20)), 1)
		if err != nil {
			t.Errorf("%s: trailing blanks are not read: %v", name, err)
		}
		_, err = parse(t, name, packWith(t, pack, "1 2 3\n"+strings.Repeat("\n", 64<<20)), 1)
		mustRefuse(t, err, "compressed size")
	}
}

func packWith(t *testing.T, pack func(io.Writer) io.WriteCloser, content string) string {
	t.Helper()
	var b bytes.Buffer
	w := pack(&b)
	if _, err := io.WriteString(w, content); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestContextStopsReading(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	stop()
	r, err := OpenAt(strings.NewReader(minimalPLY), int64(len(minimalPLY)), "a.ply")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Content(ctx, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want canceled", err)
	}
}

// A file that unpacks to far more than a measurement can is refused before it
// has filled the memory: the same forty thousand points over and over, which pack
// a hundredfold.
func TestBombIsRefused(t *testing.T) {
	var packed bytes.Buffer
	z, err := zstd.NewWriter(&packed)
	if err != nil {
		t.Fatal(err)
	}
	const n = 7_000_000
	_, _ = fmt.Fprintf(z, "ply\nformat binary_little_endian 1.0\nelement vertex %d\nproperty float x\nproperty float y\nproperty float z\nend_header\n", n)
	rnd := rand.New(rand.NewPCG(1, 2))
	var chunk []byte
	for range 3 * 50_000 {
		chunk = binary.LittleEndian.AppendUint32(chunk, math.Float32bits(rnd.Float32()))
	}
	for left := 12 * n; left > 0; left -= len(chunk) {
		if _, err := z.Write(chunk[:min(left, len(chunk))]); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := OpenAt(bytes.NewReader(packed.Bytes()), int64(packed.Len()), "bomb.ply.zst")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	if _, err := r.Content(t.Context(), 1); !errors.Is(err, scan.ErrFormat) || !strings.Contains(err.Error(), "more points than") {
		t.Errorf("%d bytes gave %v", packed.Len(), err)
	}
}
