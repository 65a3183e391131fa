package format

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"pgregory.net/rapid"

	"trammel/pipeline/length"
)

func TestTextColumns(t *testing.T) {
	for _, c := range []struct {
		name, content, columns string
		unit                   length.Unit
		rgb                    []uint8
		intensity, nz          float32
	}{
		{"intensity", "1 2 3 9\n4 5 6 9\n", "x y z intensity; separator blank", "", nil, 9, 0},
		{"colours", "1;2;3;10;20;30\n4;5;6;11;21;31\n", "x y z red green blue; separator semicolon", "", []uint8{10, 20, 30}, 0, 0},
		{"count, intensity and colours", "2\n1 2 3 -700 10 20 30\n4 5 6 -800 11 21 31\n", "x y z intensity red green blue", "", []uint8{10, 20, 30}, -700, 0},
		{"normals", "1\t2\t3\t0\t0.6\t0.8\n1\t2\t3\t0\t0.8\t0.6\n", "x y z nx ny nz", "", nil, 0, 0.8},
		{"all", "1,2,3,5,10,20,30,0,0,1\n1,2,3,5,10,20,30,0,0,1\n", "x y z intensity red green blue nx ny nz; separator comma", "", []uint8{10, 20, 30}, 5, 1},
		{"named, in another order, with a unit", "Intensity; Z [mm]; Y [mm]; X [mm]; B; G; R\n7;3;2;1;30;20;10\n", "intensity z y x blue green red", length.Millimetre, []uint8{10, 20, 30}, 7, 0},
		{"a unit in round brackets", "# x(m) y(m) z(m) reflectance\n1 2 3 4\n", "x y z intensity", length.Metre, nil, 4, 0},
		{"decimal commas", "1,0;2,0;3,0;0,25\n4,5;5,5;6,5;0,5\n", "separator semicolon, decimal comma", "", nil, 0.25, 0},
		{"bars", "1|2|3|4\n1|2|3|4\n", "separator bar", "", nil, 4, 0},
		{"tabs and decimal commas, one line without", "1,0\t2,0\t3,0\n4\t5\t6\n", "", "", nil, 0, 0},
		{"blanks and decimal commas", "1,0 2,0 3,0 7,5\n4,25 5 6 8\n", "x y z intensity; separator blank, decimal comma", "", nil, 7.5, 0},
		{"commas and blanks", "1, 2, 3, 4\n5, 6, 7, 8\n", "x y z intensity; separator comma.", "", nil, 4, 0},
		{"commas between some", "1 2 3,10,20,30\n1 2 3,11,21,31\n", "separator blank or comma", "", []uint8{10, 20, 30}, 0, 0},
		{"tabs", "1\t2\t3\t4\n", "x y z intensity; separator tab.", "", nil, 4, 0},
		{"shares of colour", "1 2 3 0 0.5 1\n1 2 3 0.2 0.5 0.9\n", "x y z red green blue", "", []uint8{0, 128, 255}, 0, 0},
		{"named colours of 16 bits", "x y z r g b\n1 2 3 0 32896 65535\n", "x y z red green blue", "", []uint8{0, 128, 255}, 0, 0},
		{"colours before intensity", "1 2 3 10 20 30 -1200\n1 2 3 11 21 31 -900\n", "x y z red green blue intensity", "", []uint8{10, 20, 30}, -1200, 0},
		{"colours, normals", "1 2 3 10 20 30 0 0 1\n", "x y z red green blue nx ny nz", "", []uint8{10, 20, 30}, 0, 1},
		{"normals, colours", "1 2 3 0 0 1 10 20 30\n", "x y z nx ny nz red green blue", "", []uint8{10, 20, 30}, 0, 1},
		{"nothing to guess", "1 2 3 4.5 5\n", "x y z (unused) (unused)", "", nil, 0, 0},
		{"a sentence before the names", "Columns of this file: x y z intensity\n1 2 3 4\n", "x y z intensity", "", nil, 4, 0},
		{"names that take words", "\"Pos X\";\"Pos Y\";\"Pos Z\";\"Scalar intensity\"\n1;2;3;4\n", "x y z intensity; separator semicolon.", "", nil, 4, 0},
		{"units behind the names", "x_mm,y_mm,z_mm,nx,ny,nz\n1,2,3,0,0,1\n", "x y z nx ny nz", length.Millimetre, nil, 0, 1},
		{"a line of units", "X;Y;Z\n[m];[m];[m]\n1;2;3\n", "", length.Metre, nil, 0, 0},
		{"units in words", "// x y z in mm\n1 2 3\n", "", length.Millimetre, nil, 0, 0},
		{"surveyed names", "id,easting,northing,height\n7,1,2,3\n", "(unused) x y z", "", nil, 0, 0},
		{"one over at the end", "1;2;3;4;\n1;2;3;4;\n", "x y z intensity; separator semicolon.", "", nil, 4, 0},
		{"not UTF-8", "# Mess\xfcng\n1 2 3 4\n", "x y z intensity", "", nil, 4, 0},
		{"comments of other kinds", "% made by hand\n; another\n1 2 3 4\n% between\n1 2 3 4\n", "x y z intensity", "", nil, 4, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := OpenAt(strings.NewReader(c.content), int64(len(c.content)), "a.txt")
			if err != nil {
				t.Fatal(err)
			}
			var b Batch
			if err := r.Next(&b); err != nil {
				t.Fatal(err)
			}
			if b.X[0] != 1 || b.Y[0] != 2 || b.Z[0] != 3 || r.About().Units != c.unit {
				t.Errorf("first point %g %g %g in %q", b.X[0], b.Y[0], b.Z[0], r.About().Units)
			}
			if notes := strings.Join(r.About().Notes, " "); !strings.Contains(notes, c.columns) {
				t.Errorf("notes %q do not say %q", notes, c.columns)
			}
			if !slices.Equal(b.RGB[:min(3, len(b.RGB))], c.rgb) || c.intensity != 0 && b.Intensity[0] != c.intensity || c.nz != 0 && b.NZ[0] != c.nz {
				t.Errorf("colours %v, intensity %v, normals %v", b.RGB, b.Intensity, b.NZ)
			}
		})
	}
}

// A few lines that are no points are counted and said.
func TestFewOddLinesAreNoted(t *testing.T) {
	text := strings.Repeat("1 2 3\n", 400) + "oops\n" + strings.Repeat("4 5 6\n", 400) + "and 1 2\n4 5 6\n"
	c, err := parse(t, "a.xyz", text, 1)
	if err != nil || c.Cloud.Len() != 801 || len(c.About.Notes) != 1 || !strings.Contains(c.About.Notes[0], "2 of 803 lines") || !strings.Contains(c.About.Notes[0], "line 401") {
		t.Errorf("%d points, %v, %v", c.Cloud.Len(), c.About.Notes, err)
	}
}

// smallZstd packs with a small window, as a decompressor holds two.
func smallZstd(w io.Writer) io.WriteCloser {
	z, err := zstd.NewWriter(w, zstd.WithWindowSize(256<<10))
	if err != nil {
		panic(err)
	}
	return z
}

// Columns of text are given their room once the length of a row is known: all
// that is taken, buffers aside, is at most a fifth more than the cloud.
func TestTextTakesLittleMoreThanItsCloud(t *testing.T) {
	if testing.Short() {
		t.Skip("memory is not measured in short runs, which the race detector is given")
	}
	const n = 500_000
	even := strings.Repeat("1234.5 2345.6 3456.7\n", n)
	var shrinking, varied strings.Builder
	rnd := rand.New(rand.NewPCG(1, 2))
	for i := range n {
		fmt.Fprintf(&shrinking, "%d.5 %d.25 3\n", 1<<(38-38*i/n), 1<<(30-30*i/n))
		fmt.Fprintf(&varied, "%.3f %.3f %.3f\n", 1e4*rnd.Float64(), 1e4*rnd.Float64(), 10*rnd.NormFloat64())
	}
	for name, text := range map[string]string{
		"even.xyz": even, "shrinking.xyz": shrinking.String(), "varied.xyz": varied.String(),
		"varied.xyz.gz":  packWith(t, func(w io.Writer) io.WriteCloser { return gzip.NewWriter(w) }, varied.String()),
		"varied.xyz.zst": packWith(t, smallZstd, varied.String()),
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		c, err := parse(t, name, text, 1)
		runtime.ReadMemStats(&after)
		if err != nil || c.Cloud.Len() != n {
			t.Fatalf("%s: %v", name, err)
		}
		const buffers = 4 << 20 // of the file and of a batch, and a decompressor's
		if taken := float64(after.TotalAlloc - before.TotalAlloc - buffers); taken > 1.2*12*n {
			t.Errorf("%s: %.2f times the cloud was taken, columns of %d", name, taken/12/n, cap(c.Cloud.X))
		}
	}
}

// What the start of a packed file tempts to expect is bounded by its size.
func TestExpectationIsBounded(t *testing.T) {
	c := collector{most: leastRoom}
	c.cloud.X, c.cloud.Y, c.cloud.Z = make([]float32, 10), make([]float32, 10), make([]float32, 10)
	if c.expect(1 << 60); cap(c.cloud.X) > leastRoom/8 || c.cloud.NX != nil {
		t.Errorf("room for %d points", cap(c.cloud.X))
	}
}

// Points of several scans in one file stand behind counts of their own.
func TestTextOfSeveralScans(t *testing.T) {
	c := mustParse(t, "a.pts", "2\n1 2 3\n4 5 6\n1\n7 8 9\n")
	if c.Cloud.Len() != 3 || c.About.Points != 3 || !strings.Contains(strings.Join(c.About.Notes, " "), "several scans") {
		t.Errorf("%d points of %d, %v", c.Cloud.Len(), c.About.Points, c.About.Notes)
	}
	_, err := parse(t, "a.pts", "2\n1 2 3\n4 5 6\n2\n7 8 9\n", 1)
	mustRefuse(t, err, "promises 4 points")
}

// A column that is no colour everywhere stays one: what cannot be a byte is
// black or full, the same on every machine.
func TestTextColoursBeyondTheirRange(t *testing.T) {
	r, err := OpenAt(strings.NewReader("x,y,z,r,g,b\n1,2,3,10,20,30\n1,2,3,nan,-5,255\n"), 45, "a.csv")
	if err != nil {
		t.Fatal(err)
	}
	var b Batch
	if err := r.Next(&b); err != nil || !slices.Equal(b.RGB, []uint8{10, 20, 30, 0, 0, 255}) {
		t.Errorf("%v, %v", b.RGB, err)
	}
}

// TestAnyLayoutIsReadBack writes points in every usual layout.
func TestAnyLayoutIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		separator := rapid.SampledFrom([]string{" ", "\t", ";", ",", "|", "  "}).Draw(t, "separator")
		hasDecimalComma := separator != "," && rapid.Bool().Draw(t, "decimal comma")
		end := rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "line end")
		n := rapid.IntRange(1, 200).Draw(t, "rows")
		var b strings.Builder
		b.WriteString(rapid.SampledFrom([]string{"", "# by hand\n", "x y z\n", strconv.Itoa(n) + "\n"}).Draw(t, "heading"))
		want := make([]float64, 0, 3*n)
		for range n {
			row := make([]string, 3)
			for k := range row {
				v := math.Round(1000*rapid.Float64Range(-1e4, 1e4).Draw(t, "v")) / 1000
				want = append(want, v)
				row[k] = strconv.FormatFloat(v, 'f', 3, 64)
			}
			line := strings.Join(row, separator)
			if hasDecimalComma {
				line = strings.ReplaceAll(line, ".", ",")
			}
			b.WriteString(line + end)
		}
		r, err := OpenAt(strings.NewReader(b.String()), int64(b.Len()), "a.txt")
		if err != nil {
			t.Fatal(err)
		}
		var got []float64
		var batch Batch
		for err = r.Next(&batch); err == nil; err = r.Next(&batch) {
			for i := range batch.X {
				got = append(got, batch.X[i], batch.Y[i], batch.Z[i])
			}
		}
		if !errors.Is(err, io.EOF) || !slices.Equal(got, want) {
			t.Fatalf("%v: got %v, want %v", err, got, want)
		}
	})
}
