package format

import (
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// coloursOf returns all colours of the content.
func coloursOf(t *testing.T, name, content string) (rgb []uint8) {
	t.Helper()
	r, err := OpenAt(strings.NewReader(content), int64(len(content)), name)
	if err != nil {
		t.Fatal(err)
	}
	var b Batch
	for err = r.Next(&b); err == nil; err = r.Next(&b) {
		if len(b.RGB) != 0 && len(b.RGB) != 3*len(b.X) {
			t.Fatalf("%d numbers of colour for %d points", len(b.RGB), len(b.X))
		}
		rgb = append(rgb, b.RGB...)
	}
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	return rgb
}

func colouredPLY(encoding, kind, channel, rows string) string {
	head := "ply\nformat " + encoding + " 1.0\nelement vertex 2\nproperty float x\nproperty float y\nproperty float z\n"
	for _, c := range []string{"red", "green", "blue"} {
		head += "property " + kind + " " + channel + c + "\n"
	}
	return head + "end_header\n" + rows
}

func TestColours(t *testing.T) {
	place := strings.Repeat("\x00", 12)
	for _, c := range []struct {
		name, file, content string
		want                []uint8
	}{
		{"ply bytes", "a.ply", colouredPLY("ascii", "uchar", "", "0 0 0 1 2 3\n0 0 0 253 254 255\n"), []uint8{1, 2, 3, 253, 254, 255}},
		{"ply shares", "a.ply", colouredPLY("ascii", "float", "", "0 0 0 0 0.5 1\n0 0 0 -1 nan 0.2\n"), []uint8{0, 128, 255, 0, 0, 51}},
		{"ply floats up to 255", "a.ply", colouredPLY("ascii", "float", "", "0 0 0 10 20 30\n0 0 0 1 0 255\n"), []uint8{10, 20, 30, 1, 0, 255}},
		{"ply words", "a.ply", colouredPLY("ascii", "ushort", "", "0 0 0 257 514 65535\n0 0 0 0 0 0\n"), []uint8{1, 2, 255, 0, 0, 0}},
		{"ply diffuse", "a.ply", colouredPLY("ascii", "uchar", "diffuse_", "0 0 0 1 2 3\n0 0 0 4 5 6\n"), []uint8{1, 2, 3, 4, 5, 6}},
		{"ply binary bytes", "a.ply", colouredPLY("binary_little_endian", "uchar", "", place+"\x01\x02\x03"+place+"\xfd\xfe\xff"), []uint8{1, 2, 3, 253, 254, 255}},
		{"ply binary words", "a.ply", colouredPLY("binary_big_endian", "ushort", "", place+"\x01\x01\x02\x02\xff\xff"+place+"\x00\x00\x00\x00\x00\x00"), []uint8{1, 2, 255, 0, 0, 0}},
		{"obj shares", "a.obj", "v 0 0 0 0 0.5 1\nv 0 0 0 1 1 1 1\nv 0 0 0\nv 1 1 1 x y z\n", []uint8{0, 128, 255, 255, 255, 255, 0, 0, 0, 0, 0, 0}},
		{"obj bytes", "a.obj", "v 0 0 0 100 20 30\nv 0 0 0 1 0 255\n", []uint8{100, 20, 30, 1, 0, 255}},
		{"obj with weights", "a.obj", "v 0 0 0 1\nv 0 0 0 1 1 1\n", nil},
		{"obj without", "a.obj", "v 0 0 0\nv 0 0 0 1 1 1\n", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := coloursOf(t, c.file, c.content); !slices.Equal(got, c.want) {
				t.Errorf("got %v, want %v", got, c.want)
			}
		})
	}
}

// The colours of the samples as their files have them.
func TestColoursOfSamples(t *testing.T) {
	samples(t)
	for name, want := range map[string][]uint8{
		"assimp--PLY--float-color.ply":            {0, 0, 255},
		"assimp--OBJ--cube_with_vertexcolors.obj": {124, 110, 120}, // 0.48627 0.43137 0.47059, times 255
	} {
		raw, err := os.ReadFile(filepath.Join(sampleFolder, name))
		if err != nil {
			t.Fatal(err)
		}
		if got := coloursOf(t, name, string(raw)); !slices.Equal(got[:3], want) {
			t.Errorf("%s: got %v, want %v", name, got[:3], want)
		}
	}
}

func TestShade(t *testing.T) {
	s := shade{most: 1}
	for _, c := range []struct {
		in   float64
		want uint8
	}{{0.5, 128}, {math.NaN(), 0}, {-3, 0}, {2, 2}, {0.5, 1}, {65535, 255}, {2, 0}, {1e300, 255}, {math.Inf(1), 255}, {math.Inf(-1), 0}} {
		if got := s.of(c.in); got != c.want {
			t.Errorf("%g: got %d, want %d", c.in, got, c.want)
		}
	}
}
