package format

import (
	"bytes"
	"errors"
	"io"
	"runtime"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"trammel/pipeline/scan"
)

// bombOf packs a beginning and then the same piece over and over.
func bombOf(t *testing.T, method, head, piece string, size int) []byte {
	t.Helper()
	var packed bytes.Buffer
	var z io.WriteCloser = gzip.NewWriter(&packed)
	if method == "zst" {
		w, err := zstd.NewWriter(&packed, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(1))
		if err != nil {
			t.Fatal(err)
		}
		z = w
	}
	if _, err := io.WriteString(z, head); err != nil {
		t.Fatal(err)
	}
	block := []byte(strings.Repeat(piece, 1<<20/len(piece)))
	for done := 0; done < size; done += len(block) {
		if _, err := z.Write(block); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return packed.Bytes()
}

// TestBombsAreRefused reads packed files that are the same piece a hundred
// million times. Each is refused, and not after filling the memory: what is taken
// in all, slices that were outgrown included, stays below 256 MB.
func TestBombsAreRefused(t *testing.T) {
	if testing.Short() {
		t.Skip("memory is not measured in short runs, which the race detector is given")
	}
	const floats = "\nproperty float x\nproperty float y\nproperty float z\n"
	for name, c := range map[string]struct{ head, piece string }{
		"a.ply": {"ply\nformat binary_little_endian 1.0\nelement vertex 4000000000" + floats + "end_header\n", strings.Repeat("\x00", 12)},
		"b.ply": {"ply\nformat ascii 1.0\nelement vertex 4000000000" + floats + "end_header\n", "0 0 0\n"},
		"c.ply": {"ply\nformat binary_little_endian 1.0\nelement vertex 1" + floats + "element face 9000000000\nproperty list uchar int vertex_indices\nend_header\n" +
			strings.Repeat("\x00", 12), "\x03" + strings.Repeat("\x00", 12)},
		"d.ply": {"ply\nformat binary_little_endian 1.0\nelement tristrips 1\nproperty list uint uchar vertex_indices\nend_header\n\xff\xff\xff\xff", "\x00"},
		"e.ply": {"ply\nformat ascii 1.0\n", "comment 0\n"},
		"a.stl": {strings.Repeat("\x00", 80) + "\xff\xff\xff\xff", strings.Repeat("\x00", 50)},
		"b.stl": {"solid a\n", "facet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 0 1 0\nvertex 1 0 0\nendloop\nendfacet\n"},
		"a.obj": {"v 0 0 0\n", "v 0 0 0\n"},
		"b.obj": {"v 0 0 0\n", "f 1 1 1\n"},
		"c.obj": {"v 0 0 0\nf", " 1"},
		"a.xyz": {"", "0 0 0\n"},
		"b.xyz": {"1 2 3\n", "#\n"},
		"c.xyz": {"1 2 3\n", " "},
		"a.glb": {"glTF\x02\x00\x00\x00\xff\xff\xff\xff\xff\xff\xff\x7fJSON{", " "},
		"b.glb": {"glTF\x02\x00\x00\x00\xff\xff\xff\xff\xff\xff\xff\x7fJSON", "["},
	} {
		for _, method := range []string{"gz", "zst"} {
			t.Run(name+"."+method, func(t *testing.T) {
				packed := bombOf(t, method, c.head, c.piece, 96<<20)
				var before, after runtime.MemStats
				runtime.ReadMemStats(&before)
				_, err := parse(t, name+"."+method, string(packed), 1)
				runtime.ReadMemStats(&after)
				if !errors.Is(err, scan.ErrFormat) && !errors.Is(err, scan.ErrTruncated) {
					t.Errorf("%d bytes gave %v", len(packed), err)
				}
				if taken := after.TotalAlloc - before.TotalAlloc; taken > 256e6 {
					t.Errorf("%d bytes took %d MB: %v", len(packed), taken/1e6, err)
				}
			})
		}
	}
}
