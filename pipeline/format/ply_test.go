package format

import (
	"slices"
	"strings"
	"testing"
)

const stripHead = "ply\nformat ascii 1.0\nelement vertex 5\nproperty float x\nproperty float y\nproperty float z\n" +
	"element tristrips 1\nproperty list int int vertex_indices\nend_header\n0 0 0\n0 1 0\n1 0 0\n1 1 0\n2 0 0\n"

// Strips turn every second triangle round; -1 begins a new strip (the form that
// public collections of scans use since 1996; from memory).
func TestTriangleStrips(t *testing.T) {
	c := mustParse(t, "a.ply", stripHead+"9 0 1 2 3 4 -1 4 2 3\n")
	want := []int32{0, 1, 2, 2, 1, 3, 2, 3, 4, 4, 2, 3}
	if c.Mesh == nil || !slices.Equal(c.Mesh.Tri, want) || !c.About.Mesh || c.About.Triangles != Unsaid {
		t.Fatalf("got %+v, want %v", c, want)
	}
	for _, list := range []string{"2 0 1", "0", "3 0 1 -1", "4 -1 -1 0 1"} {
		if c := mustParse(t, "a.ply", stripHead+list+"\n"); c.Cloud == nil || c.Cloud.Len() != 5 {
			t.Errorf("%q: got %+v, want five points alone", list, c)
		}
	}
	_, err := parse(t, "a.ply", stripHead+"3 0 1 5\n", 1)
	mustRefuse(t, err, "refers to point 5")
}

func TestTwoElementsOfOneName(t *testing.T) {
	for _, name := range []string{"vertex", "face"} {
		_, err := parse(t, "a.ply", strings.Replace(minimalPLY, "end_header", "element "+name+" 0\nend_header", 1), 1)
		mustRefuse(t, err, "a second element")
	}
}

// Lists on vertices and elements around those wanted change nothing.
func TestListsOnVertices(t *testing.T) {
	const head = " 1.0\nelement camera 1\nproperty list uchar float pose\nelement vertex 3\nproperty list uchar int tags\nproperty uchar x\nproperty uchar y\nproperty uchar z\n" +
		"element edge 1\nproperty int a\nelement face 1\nproperty uchar flag\nproperty list uchar uchar vertex_indices\nproperty list uchar float texcoord\nend_header\n"
	for encoding, body := range map[string]string{
		"ascii":             "2 1.5 2.5\n0 0 0 0\n1 7 9 0 0\n2 7 7 0 9 0\n1\n5 3 0 1 2 2 0.5 0.5\n",
		"binary_big_endian": "\x01\x00\x00\x00\x00" + "\x00\x00\x00\x00" + "\x01\x00\x00\x00\x07\x09\x00\x00" + "\x00\x00\x09\x00" + "\x00\x00\x00\x01" + "\x05\x03\x00\x01\x02\x00",
	} {
		c := mustParse(t, "a.ply", "ply\nformat "+encoding+head+body)
		if c.Mesh == nil || c.Mesh.Area() != 40.5 {
			t.Errorf("%s: got %+v, want one triangle of 40.5", encoding, c.Mesh)
		}
	}
}

// One list can be a whole scan: it comes in portions that join without a seam,
// and what stands behind it in its row and file is still found.
func TestLongStrip(t *testing.T) {
	const n = 200_000
	var b strings.Builder
	b.WriteString("ply\nformat binary_little_endian 1.0\nelement vertex 2\nproperty uchar x\nproperty uchar y\nproperty uchar z\n" +
		"element tristrips 2\nproperty uchar tag\nproperty list uint uchar vertex_indices\nproperty uchar end\nend_header\n\x00\x00\x00\x01\x00\x00")
	for range 2 {
		b.WriteString("\x07\x40\x0d\x03\x00" + strings.Repeat("\x00\x01", n/2) + "\x09") // 0x30d40 is n
	}
	c := mustParse(t, "a.ply", b.String())
	if len(c.About.Notes) != 0 || c.Mesh.Triangles() != 2*(n-2) {
		t.Fatalf("got %d triangles, %v, want %d", c.Mesh.Triangles(), c.About.Notes, 2*(n-2))
	}
	_, err := parse(t, "a.ply", b.String()[:b.Len()-1], 1)
	mustRefuse(t, err, "promises 2 rows")
}

func TestEndlessPolygons(t *testing.T) {
	long := strings.Repeat(" 1", longestPolygon+1)
	_, err := parse(t, "a.obj", "v 0 0 0\nf"+long+"\n", 1)
	mustRefuse(t, err, "more than 1048576 corners")
	_, err = parse(t, "a.ply", strings.Replace(minimalPLY, "3 0 1 2", "1048577"+long, 1), 1)
	mustRefuse(t, err, "polygon of 1048577 corners")
}
