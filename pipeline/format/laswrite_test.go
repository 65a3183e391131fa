package format

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

func lasOf(t testing.TB, c *scan.Cloud, o WriteOptions) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := WriteLAS(&b, c, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// shinyCloud is a wavy cloud far from zero with intensities that LAS can keep.
func shinyCloud(n int) *scan.Cloud {
	c := wavyCloud(n)
	c.NX, c.NY, c.NZ = nil, nil, nil
	c.Origin = geom.Vec{X: 1e7, Y: -2e7, Z: 300}
	for i := range n {
		c.Intensity = append(c.Intensity, float32(i*7%65536))
	}
	return c
}

func TestLASRoundTrip(t *testing.T) {
	c := shinyCloud(20_000)
	for _, unit := range []length.Unit{length.Unknown, length.Millimetre, length.Centimetre, length.Metre, length.Foot} {
		raw := lasOf(t, c, WriteOptions{Units: unit, Comments: []string{"a sprayer", "refitted"}})
		r, err := OpenAt(bytes.NewReader(raw), int64(len(raw)), "a.las")
		if err != nil {
			t.Fatal(err)
		}
		got, err := r.Content(t.Context(), max(1, unit.MM()))
		if err != nil || got.Cloud.Len() != c.Len() {
			t.Fatalf("%q: %v", unit, err)
		}
		if want := (WriteOptions{Units: unit}).unit(); got.About.Units != want || len(got.About.Notes) != 0 {
			t.Errorf("got the unit %q with notes %v, want %q", got.About.Units, got.About.Notes, want)
		}
		for i := range c.X {
			if d := got.Cloud.At(i).Dist(c.At(i)); d > 1e-3 || got.Cloud.Intensity[i] != c.Intensity[i] {
				t.Fatalf("%q: point %d is %.3g mm off, its intensity %g, want %g", unit, i, d, got.Cloud.Intensity[i], c.Intensity[i])
			}
		}
	}
}

// A coordinate moves by no more than half of what float32 has rounded the largest
// one by, whatever the size of the object and its distance.
func TestLASStepsAreBelowTheRounding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := math.Pow(10, rapid.Float64Range(-12, 12).Draw(t, "size"))
		c := &scan.Cloud{}
		var far float64
		for range rapid.IntRange(1, 30).Draw(t, "n") {
			for _, axis := range []*[]float32{&c.X, &c.Y, &c.Z} {
				v := float32(size * rapid.Float64Range(-1, 1).Draw(t, "v"))
				*axis = append(*axis, v)
				far = max(far, math.Abs(float64(v)))
			}
		}
		if far < 1e-20 {
			t.Skip("a cloud without size")
		}
		var out bytes.Buffer
		if err := WriteLAS(&out, c, WriteOptions{Units: length.Metre}); err != nil {
			t.Fatal(err)
		}
		r, err := OpenAt(bytes.NewReader(out.Bytes()), int64(out.Len()), "a.las")
		if err != nil {
			t.Fatal(err)
		}
		var b Batch
		if err := r.Next(&b); err != nil || len(b.X) != c.Len() {
			t.Fatal(len(b.X), err)
		}
		for i := range c.X {
			for k, pair := range [3][2]float64{{b.X[i], float64(c.X[i])}, {b.Y[i], float64(c.Y[i])}, {b.Z[i], float64(c.Z[i])}} {
				if d := math.Abs(1000*pair[0] - pair[1]); d > 1.000001*far*0x1p-25 {
					t.Fatalf("axis %d of point %d moved by %g of %g", k, i, d, far)
				}
			}
		}
		if err := r.Next(&b); !errors.Is(err, io.EOF) || len(r.About().Notes) != 0 {
			t.Fatalf("%v, notes %v", err, r.About().Notes)
		}
	})
}

func TestLASIntensities(t *testing.T) {
	nan := float32(math.NaN())
	for _, c := range []struct{ in, want []float32 }{
		{[]float32{0, 1, 65535}, []float32{0, 1, 65535}},
		{[]float32{3, 200, 17}, []float32{3, 200, 17}},
		{[]float32{0, 0.5, 1}, []float32{0, 32768, 65535}},
		{[]float32{-2048, 2047, nan}, []float32{0, 65535, 0}},
		{[]float32{0.5, 0.5, 0.5}, []float32{0, 0, 0}},
		{nil, []float32{0, 0, 0}},
	} {
		cloud := &scan.Cloud{X: []float32{1, 2, 3}, Y: []float32{1, 2, 3}, Z: []float32{1, 2, 3}, Intensity: c.in}
		raw := lasOf(t, cloud, WriteOptions{})
		start := int(binary.LittleEndian.Uint32(raw[96:]))
		for i, want := range c.want {
			if got := float32(binary.LittleEndian.Uint16(raw[start+20*i+12:])); got != want {
				t.Errorf("%v: intensity %d is %g, want %g", c.in, i, got, want)
			}
		}
	}
}

func TestLASRefusesToWrite(t *testing.T) {
	bad := &scan.Cloud{X: []float32{1, float32(math.Inf(1))}, Y: make([]float32, 2), Z: make([]float32, 2)}
	far := &scan.Cloud{Origin: geom.Vec{X: math.NaN()}}
	for says, err := range map[string]error{
		`unit "in"`:    WriteLAS(io.Discard, &scan.Cloud{}, WriteOptions{Units: length.Inch}),
		"not a number": errors.Join(WriteLAS(io.Discard, bad, WriteOptions{}), WriteLAS(io.Discard, far, WriteOptions{})),
	} {
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("got %v, want %q", err, says)
		}
	}
}

func TestLASWithoutPoints(t *testing.T) {
	c, err := readAll(t, "a.las", lasOf(t, &scan.Cloud{}, WriteOptions{}))
	if err != nil || c.Cloud.Len() != 0 {
		t.Error(c.Cloud, err)
	}
}

// lasByOthers reads a LAS file with @loaders.gl/las (MIT), a general-purpose
// reader, and writes places and intensities to stdout.
const lasByOthers = `
import { readFileSync } from "fs";
const [root, file] = process.argv.slice(2);
const { parse } = await import(root + "/@loaders.gl/core/dist/index.js");
const { LASLoader } = await import(root + "/@loaders.gl/las/dist/index.js");
const raw = readFileSync(file);
const d = await parse(raw.buffer.slice(raw.byteOffset, raw.byteOffset + raw.length), LASLoader, { worker: false, core: { worker: false }, las: { fp64: true } });
process.stdout.write(Buffer.from(Float64Array.from([...d.attributes.POSITION.value, ...d.attributes.intensity.value]).buffer));
`

// npmFolder is where packages of npm lie on this machine; the test is skipped
// where one is missing.
func npmFolder(t *testing.T, packages ...string) string {
	t.Helper()
	root, err := exec.Command("npm", "root", "-g").Output()
	folder := strings.TrimSpace(string(root))
	for _, p := range packages {
		if err == nil {
			_, err = os.Stat(filepath.Join(folder, p))
		}
	}
	if err != nil {
		t.Skipf("not all of %v are installed (npm install -g); the outside check is left out", packages)
	}
	return folder
}

func runNode(t *testing.T, script string, args ...string) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "read.mjs")
	if err := os.WriteFile(path, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	var says bytes.Buffer
	cmd := exec.Command("node", append([]string{path}, args...)...)
	cmd.Stderr = &says
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %s", err, says.String())
	}
	return out
}

func TestLASAsOthersReadIt(t *testing.T) {
	root := npmFolder(t, "@loaders.gl/core", "@loaders.gl/las")
	c := shinyCloud(3000)
	path := fileOf(t, "a.las", func(w io.Writer) error { return WriteLAS(w, c, WriteOptions{Units: length.Metre}) })
	out := runNode(t, lasByOthers, root, path)
	n := c.Len()
	if len(out) != 8*4*n {
		t.Fatalf("got %d numbers, want %d", len(out)/8, 4*n)
	}
	number := func(i int) float64 { return math.Float64frombits(binary.LittleEndian.Uint64(out[8*i:])) }
	for i := range n {
		p := geom.Vec{X: number(3 * i), Y: number(3*i + 1), Z: number(3*i + 2)}
		if d := p.Scale(1000).Dist(c.At(i)); d > 1e-3 || float32(number(3*n+i)) != c.Intensity[i] {
			t.Fatalf("point %d is %.3g mm off, its intensity %g, want %g", i, d, number(3*n+i), c.Intensity[i])
		}
	}
}

func BenchmarkWriteLAS(b *testing.B) {
	c := shinyCloud(1_000_000)
	b.SetBytes(int64(20 * c.Len()))
	b.ReportAllocs()
	for b.Loop() {
		if err := WriteLAS(discard{}, c, WriteOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
