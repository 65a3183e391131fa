package format

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"

	"trammel/pipeline/format/glb"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
)

func writtenGLB(t testing.TB) string {
	t.Helper()
	var b bytes.Buffer
	if err := glb.Write(&b, glb.Scene{Meshes: []glb.Named{{Name: "a", Mesh: wavyMesh(100)}}}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestGLB reads a written mesh back, plain and packed: metres, Y up.
func TestGLB(t *testing.T) {
	raw := writtenGLB(t)
	packed := packWith(t, func(w io.Writer) io.WriteCloser { return gzip.NewWriter(w) }, raw)
	want := wavyMesh(100)
	for name, content := range map[string]string{"a.glb": raw, "a.glb.gz": packed} {
		c, err := parse(t, name, content, 1000)
		if err != nil {
			t.Fatal(name, err)
		}
		if c.About.Units != length.Metre || c.About.Format != "glb" || c.Mesh.Triangles() != want.Triangles() {
			t.Errorf("%s: got %+v and %d triangles, want metres and %d", name, c.About, c.Mesh.Triangles(), want.Triangles())
		}
		for i := range want.Vertices() {
			v := c.Mesh.At(int32(i))
			if d := (geom.Vec{X: v.X, Y: -v.Z, Z: v.Y}).Dist(want.At(int32(i))); d > 1e-4 {
				t.Fatalf("%s: vertex %d is %g mm off", name, i, d)
			}
		}
	}
	_, err := parse(t, "a.glb.gz", packWith(t, func(w io.Writer) io.WriteCloser { return gzip.NewWriter(w) }, raw[:len(raw)-9]), 1)
	mustRefuse(t, err, "promises")
}

// TestSpool reads pieces across the seams of unpacked content.
func TestSpool(t *testing.T) {
	const size = spoolChunk + 10
	s := spool{chunks: [][]byte{bytes.Repeat([]byte{1}, spoolChunk), bytes.Repeat([]byte{2}, 10)}, size: size}
	got, err := io.ReadAll(io.NewSectionReader(&s, spoolChunk-3, 100))
	if want := strings.Repeat("\x01", 3) + strings.Repeat("\x02", 10); err != nil || string(got) != want {
		t.Errorf("got %q and %v, want %q", got, err, want)
	}
	if n, err := s.ReadAt(make([]byte, 1), size); n != 0 || err != io.EOF { //nolint:errorlint // io.ReaderAt promises the bare io.EOF
		t.Errorf("behind the end: got %d bytes and %v", n, err)
	}
}
