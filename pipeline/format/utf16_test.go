package format

import (
	"io"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
	"golang.org/x/text/encoding/unicode"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
)

// TestUTF16 reads text of every format as some programs export it, in both byte
// orders and packed; a file cut within a character is refused as any cut one is.
func TestUTF16(t *testing.T) {
	for _, order := range []unicode.Endianness{unicode.LittleEndian, unicode.BigEndian} {
		wide := func(s string) string {
			out, err := unicode.UTF16(order, unicode.UseBOM).NewEncoder().String(s)
			if err != nil {
				t.Fatal(err)
			}
			return out
		}
		text := wide("# Größe, units mm\r\nx;y;z\r\n1,5;2;3\r\n4;5;6,25\r\n")
		for name, content := range map[string]string{
			"a.txt": text, "a.txt.gz": packWith(t, func(w io.Writer) io.WriteCloser { return gzip.NewWriter(w) }, text),
			"a.obj": wide("# units mm\nv 1 2 3\nv 4 5 6.25\n"),
		} {
			c := mustParse(t, name, content)
			if c.Cloud.Len() != 2 || c.Cloud.At(1) != (geom.Vec{X: 4, Y: 5, Z: 6.25}) || c.About.Units != length.Millimetre {
				t.Errorf("%s: got %d points, %+v", name, c.Cloud.Len(), c.About)
			}
			if !strings.Contains(strings.Join(c.About.Notes, " "), "UTF-16") {
				t.Errorf("%s: the notes %q do not name the encoding", name, c.About.Notes)
			}
		}
		ply := wide(minimalPLY)
		if c := mustParse(t, "a.ply", ply); c.Mesh.Triangles() != 1 {
			t.Errorf("got %d triangles, want the one of the sample", c.Mesh.Triangles())
		}
		_, err := parse(t, "a.ply", ply[:len(ply)-13], 1)
		mustRefuse(t, err, "")
	}
}

// A binary STL whose free header begins like a byte-order mark stays one.
func TestUTF16IsNotSeenInBinarySTL(t *testing.T) {
	raw := binaryOf(t, "stl", wavyMesh(3))
	raw[0], raw[1] = 0xff, 0xfe
	if c := mustParse(t, "a.stl", string(raw)); c.Mesh.Triangles() != 8 {
		t.Errorf("got %d triangles, want 8", c.Mesh.Triangles())
	}
}
