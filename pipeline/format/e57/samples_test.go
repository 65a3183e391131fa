package e57

import (
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// sampleFolder holds real E57 files of several writers; SOURCE.md there names
// them: libe57.org's reference files and the test data of open libraries.
const sampleFolder = "../../../../shared/data/e57"

// everything asks for all columns.
var everything = Want{Intensity: true, Colour: true, Grid: true}

// sample is an entry of expected.json.
type sample struct {
	Path   string
	Expect struct {
		Verdict     string
		Scans       int
		Points      int64
		ValidPoints *int64 `json:"valid_points"`
		SameAs      string `json:"same_points_as"`
		XYZ         [][3]float64
		Intensity   []float32  `json:"intensity_raw"`
		First       [3]float64 `json:"first_point_range_azimuth_elevation"`
		Read        struct {
			Scans []struct {
				Name   *string
				Points int64
				Fields map[string]string
				Bounds *struct {
					XMin float64 `json:"xMinimum"`
					XMax float64 `json:"xMaximum"`
					YMin float64 `json:"yMinimum"`
					YMax float64 `json:"yMaximum"`
					ZMin float64 `json:"zMinimum"`
					ZMax float64 `json:"zMaximum"`
				} `json:"cartesianBounds"`
			}
		}
	}
}

func samples(t testing.TB) []sample {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(sampleFolder, "expected.json"))
	if errors.Is(err, os.ErrNotExist) {
		t.Skip("the folder with real scans is not beside this repository")
	}
	var list struct{ Files []sample }
	if err == nil {
		err = json.Unmarshal(raw, &list)
	}
	if err != nil {
		t.Fatal(err)
	}
	return list.Files
}

// whole is all that a scan holds.
type whole struct{ Batch }

// readScan reads all of one scan.
func readScan(f *File, k int) (whole, error) {
	var all whole
	p, err := f.Points(k, everything)
	if err != nil {
		return all, err
	}
	for {
		var b Batch
		err := p.Next(&b)
		if errors.Is(err, io.EOF) {
			return all, nil
		}
		if err != nil {
			return all, err
		}
		all.X, all.Y, all.Z = append(all.X, b.X...), append(all.Y, b.Y...), append(all.Z, b.Z...)
		all.Intensity, all.RGB = append(all.Intensity, b.Intensity...), append(all.RGB, b.RGB...)
		all.Row, all.Column = append(all.Row, b.Row...), append(all.Column, b.Column...)
		all.Blank += b.Blank
	}
}

func (w *whole) at(i int) geom.Vec { return geom.Vec{X: w.X[i], Y: w.Y[i], Z: w.Z[i]} }

func (w *whole) bounds() geom.Box {
	box := geom.EmptyBox()
	for i := range w.X {
		box = box.Extend(w.at(i))
	}
	return box
}

// readAll reads all scans of a file.
func readAll(content io.ReaderAt, size int64) (*File, []whole, error) {
	f, err := Open(content, size)
	if err != nil {
		return nil, nil, err
	}
	var all []whole
	for k := range f.Scans {
		w, err := readScan(f, k)
		if err != nil {
			return f, all, err
		}
		all = append(all, w)
	}
	return f, all, nil
}

func readSample(t *testing.T, name string) (*File, []whole, error) {
	t.Helper()
	file, err := os.Open(filepath.Join(sampleFolder, name))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = file.Close() })
	info, err := file.Stat()
	if err != nil {
		t.Fatal(err)
	}
	return readAll(file, info.Size())
}

func TestSamples(t *testing.T) {
	for _, s := range samples(t) {
		t.Run(s.Path, func(t *testing.T) {
			f, all, err := readSample(t, s.Path)
			if s.Expect.Verdict != "ok" {
				mustRefuse(t, err)
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if len(f.Scans) != s.Expect.Scans {
				t.Fatalf("got %d scans, want %d", len(f.Scans), s.Expect.Scans)
			}
			for k := range f.Scans {
				checkSample(t, &s, &f.Scans[k], &all[k], k)
			}
		})
	}
}

func checkSample(t *testing.T, s *sample, got *Scan, all *whole, k int) {
	t.Helper()
	want := s.Expect.Read.Scans[k]
	if got.Records != want.Points || int64(len(all.X))+all.Blank != want.Points {
		t.Errorf("got %d records, %d points and %d blanks, want %d", got.Records, len(all.X), all.Blank, want.Points)
	}
	if want.Name != nil && got.Name != *want.Name {
		t.Errorf("got the name %q, want %q", got.Name, *want.Name)
	}
	if n := s.Expect.ValidPoints; n != nil && int64(len(all.X)) != *n {
		t.Errorf("got %d points, want %d", len(all.X), *n)
	}
	if b := want.Bounds; b != nil && b.XMax < 1e300 {
		box := geom.Box{Min: geom.Vec{X: b.XMin, Y: b.YMin, Z: b.ZMin}, Max: geom.Vec{X: b.XMax, Y: b.YMax, Z: b.ZMax}}
		if got.Bounds != box {
			t.Errorf("got the claimed bounds %v, want %v", got.Bounds, box)
		}
		const step = 1e-6 // of the coarsest bunny file, 19 bits
		if m := all.bounds(); m.Min.Dist(box.Min) > step || m.Max.Dist(box.Max) > step {
			t.Errorf("got points in %v, want %v", m, box)
		}
	}
	for i, p := range s.Expect.XYZ {
		if all.at(i) != geom.FromArray(p) {
			t.Errorf("point %d: got %v, want %v", i, all.at(i), p)
		}
		if all.Intensity[i] != s.Expect.Intensity[i] {
			t.Errorf("point %d: got intensity %v, want %v", i, all.Intensity[i], s.Expect.Intensity[i])
		}
	}
	if s.Expect.First != [3]float64{} && all.at(0) != (geom.Vec{X: 1}) { // range 1 along the X axis
		t.Errorf("got the first point %v, want (1, 0, 0)", all.at(0))
	}
}

// mustRefuse fails unless err says that the content is at fault.
func mustRefuse(t *testing.T, err error) {
	t.Helper()
	if !errors.Is(err, scan.ErrFormat) && !errors.Is(err, scan.ErrTruncated) {
		t.Errorf("got %v, want a refusal for its content", err)
	}
}

// TestSamePoints compares the bunny as doubles with the bunny as scaled integers
// (libe57.org's reference files; CV-5.4).
func TestSamePoints(t *testing.T) {
	for _, s := range samples(t) {
		if s.Expect.SameAs == "" {
			continue
		}
		_, want, err := readSample(t, "bunnyDouble.e57")
		if err != nil {
			t.Fatal(err)
		}
		f, got, err := readSample(t, s.Path)
		if err != nil {
			t.Fatal(err)
		}
		halfStep := f.Scans[0].Fields[0].Scale / 2 * (1 + 1e-9)
		for i := range want[0].X {
			d := got[0].at(i).Sub(want[0].at(i))
			if worst := max(math.Abs(d.X), math.Abs(d.Y), math.Abs(d.Z)); worst > halfStep {
				t.Fatalf("%s: point %d is off by %g, more than half a step, %g", s.Path, i, worst, halfStep)
			}
		}
	}
}

// TestColouredCube looks at the colours: the library that wrote the file has
// cubes of full colours, so that every channel reaches 0 and 255.
func TestColouredCube(t *testing.T) {
	samples(t)
	_, all, err := readSample(t, "ColouredCubeFloat.e57")
	if err != nil {
		t.Fatal(err)
	}
	if len(all[0].RGB) != 3*len(all[0].X) {
		t.Fatalf("got %d colour values of %d points", len(all[0].RGB), len(all[0].X))
	}
	for channel := range 3 {
		lo, hi := uint8(255), uint8(0)
		for i := channel; i < len(all[0].RGB); i += 3 {
			lo, hi = min(lo, all[0].RGB[i]), max(hi, all[0].RGB[i])
		}
		if lo != 0 || hi != 255 {
			t.Errorf("channel %d: got %d to %d, want 0 to 255", channel, lo, hi)
		}
	}
}
