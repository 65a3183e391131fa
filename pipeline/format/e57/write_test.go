package e57

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math"
	"os"
	"testing"

	"trammel/pipeline/geom"
)

// goldenSHA256 is the digest of the golden file of CV-8.8, which an independent
// library read back (libE57Format at commit 21c2943a, by the crib's author).
const goldenSHA256 = "fac87a3ba3c64e8889aa16398434e45e81869264a9e74fc5e46b6f9e1b5773ba"

// goldenScan is the scan of CV-8.8.
func goldenScan() Output {
	pose := geom.Pose{R: geom.Quat{W: 0.5, X: 0.5, Y: 0.5, Z: 0.5}.Mat(), T: geom.Vec{X: 1, Y: 2, Z: 3}}
	place := Field{Kind: Scaled, Min: -100000, Max: 100000, Scale: 0.0001}
	named := func(f Field, name string) Field { f.Name = name; return f }
	channel := Field{Kind: Integer, Max: 255}
	s := Scan{GUID: "{00000000-0000-4000-8000-000000000002}", Name: "station 1", Pose: &pose, Records: 3, Fields: []Field{
		named(place, "cartesianX"), named(place, "cartesianY"), named(place, "cartesianZ"),
		{Name: "intensity", Kind: Single, High: 1},
		named(channel, "colorRed"), named(channel, "colorGreen"), named(channel, "colorBlue"),
		{Name: "cartesianInvalidState", Max: 2}, {Name: "rowIndex", Min: 7, Max: 7},
	}}
	return Output{Scan: s, Fill: fillFrom([][]float64{
		{1.2345, -9.9999, 0}, {-2.5, 10, 3.3333}, {0.0001, 0.5, -7.25}, {0.25, 0.5, 1},
		{255, 1, 0}, {0, 2, 255}, {128, 3, 254}, {0, 2, 1}, {7, 7, 7},
	})}
}

// fillFrom is a Source of columns in memory.
func fillFrom(values [][]float64) Source {
	return func(first int64, columns [][]float64) error {
		for i, c := range columns {
			copy(c, values[i][first:])
		}
		return nil
	}
}

func mustWrite(t testing.TB, h Header, scans ...Output) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, h, scans); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func mustRead(t testing.TB, raw []byte) (*File, []whole) {
	t.Helper()
	f, all, err := readAll(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		t.Fatal(err)
	}
	return f, all
}

func TestGoldenWritten(t *testing.T) {
	raw := mustWrite(t, Header{GUID: "{00000000-0000-4000-8000-000000000001}"}, goldenScan())
	sum := sha256.Sum256(raw)
	if got := hex.EncodeToString(sum[:]); got != goldenSHA256 {
		want, err := os.ReadFile("testdata/golden.e57")
		if err != nil {
			t.Fatal(err)
		}
		for i := range min(len(raw), len(want)) {
			if raw[i] != want[i] {
				t.Fatalf("SHA-256 %s, want %s; first difference at byte %d: %q, want %q", got, goldenSHA256, i, raw[i:min(len(raw), i+60)], want[i:min(len(want), i+60)])
			}
		}
		t.Fatalf("SHA-256 %s of %d bytes, want %s of %d", got, len(raw), goldenSHA256, len(want))
	}
}

func TestGoldenRead(t *testing.T) {
	raw, err := os.ReadFile("testdata/golden.e57")
	if err != nil {
		t.Fatal(err)
	}
	f, all := mustRead(t, raw)
	s, w := &f.Scans[0], &all[0]
	if s.Name != "station 1" || s.Records != 3 || f.GUID != "{00000000-0000-4000-8000-000000000001}" {
		t.Errorf("got %q with %d records in %s", s.Name, s.Records, f.GUID)
	}
	if len(w.X) != 1 || w.Blank != 2 {
		t.Fatalf("got %d points and %d blanks, want 1 and 2", len(w.X), w.Blank)
	}
	if want := (geom.Vec{X: 1.2345, Y: -2.5, Z: 0.0001}); w.at(0).Dist(want) > 1e-15 {
		t.Errorf("got %v, want %v", w.at(0), want)
	}
	if want := (geom.Vec{X: 1.0001, Y: 3.2345, Z: 0.5}); s.Pose.Apply(w.at(0)).Dist(want) > 1e-15 {
		t.Errorf("got the world place %v, want %v", s.Pose.Apply(w.at(0)), want)
	}
	if w.Intensity[0] != 0.25 || !bytes.Equal(w.RGB, []byte{255, 0, 128}) || w.Row[0] != 7 || len(w.Column) != 0 {
		t.Errorf("got intensity %v, colour %v, row %v, column %v", w.Intensity, w.RGB, w.Row, w.Column)
	}
}

// TestColumns writes points with all that a scan can have, in several packets
// and several scans, and reads them back.
func TestColumns(t *testing.T) {
	const n = 20_000
	var c Columns
	for i := range n {
		angle := float64(i) / 500
		c.X, c.Y, c.Z = append(c.X, 5*math.Cos(angle)), append(c.Y, 5*math.Sin(angle)), append(c.Z, float64(i)/n)
		c.Intensity = append(c.Intensity, float32(i)/n)
		c.RGB = append(c.RGB, uint8(i), uint8(i/2), uint8(i/3))
		c.State = append(c.State, uint8(max(0, i%10-7)))
		c.Row, c.Column = append(c.Row, int32(i/100)), append(c.Column, int32(i%100))
	}
	c.X[8] = math.NaN() // of a record without a return
	pose := geom.Pose{R: geom.RotVec(geom.Vec{X: 0.1, Y: 0.2, Z: 3}), T: geom.Vec{X: -4, Y: 5, Z: 1.25}}
	for _, kind := range []Kind{Scaled, Single, Double} {
		a, err := c.Output(Scan{Name: "high", Pose: &pose, Intensity: Limits{Max: 1}}, kind, 1e-4)
		if err != nil {
			t.Fatal(err)
		}
		b, err := c.Output(Scan{Name: "low ]]> & <end>\x01", Description: "from the floor"}, kind, 1e-3)
		if err != nil {
			t.Fatal(err)
		}
		f, all := mustRead(t, mustWrite(t, Header{GUID: "x", Created: 1e9}, a, b))
		if f.Scans[1].Name != "low ]]> & <end>\ufffd" || f.Scans[1].Description != "from the floor" || f.Scans[1].Pose != nil {
			t.Errorf("got %+v", f.Scans[1])
		}
		if p := f.Scans[0].Pose; p.T != pose.T || geom.Angle(p.R.Mul(pose.R.T())) > 1e-14 {
			t.Errorf("got the pose %v, want %v", p, pose)
		}
		if s := f.Scans[0]; s.Row != (Limits{Max: n/100 - 1}) || s.Column != (Limits{Max: 99}) || s.Intensity != (Limits{Max: 1}) || s.Red.Max != 255 {
			t.Errorf("got the limits %+v", s)
		}
		checkRound(t, &c, &all[0], 0.5e-4+5e-7)
		checkRound(t, &c, &all[1], 0.5e-3+5e-7)
	}
}

func checkRound(t *testing.T, c *Columns, got *whole, tolerance float64) {
	t.Helper()
	k := 0
	for i := range c.X {
		if c.State[i] != 0 {
			continue
		}
		if d := got.at(k).Sub(geom.Vec{X: c.X[i], Y: c.Y[i], Z: c.Z[i]}); max(math.Abs(d.X), math.Abs(d.Y), math.Abs(d.Z)) > tolerance {
			t.Fatalf("record %d is off by %v", i, d)
		}
		if got.Intensity[k] != c.Intensity[i] || got.Row[k] != c.Row[i] || got.Column[k] != c.Column[i] || !bytes.Equal(got.RGB[3*k:3*k+3], c.RGB[3*i:3*i+3]) {
			t.Fatalf("record %d came back as another", i)
		}
		k++
	}
	if k != len(got.X) || got.Blank != int64(len(c.X)-k) {
		t.Errorf("got %d points and %d blanks, want %d of %d", len(got.X), got.Blank, k, len(c.X))
	}
}

func TestEmptyScan(t *testing.T) {
	o, err := (&Columns{}).Output(Scan{}, Scaled, 1e-3)
	if err != nil {
		t.Fatal(err)
	}
	f, all := mustRead(t, mustWrite(t, Header{}, o))
	if len(f.Scans) != 1 || len(all[0].X) != 0 || !f.Scans[0].Bounds.IsEmpty() {
		t.Errorf("got %+v", f.Scans)
	}
	if f, _ := mustRead(t, mustWrite(t, Header{})); len(f.Scans) != 0 {
		t.Errorf("got %d scans of none", len(f.Scans))
	}
}

func TestUnwritable(t *testing.T) {
	good := Field{Name: "cartesianX", Kind: Double}
	for name, f := range map[string]Field{
		"no name":      {},
		"a tag":        {Name: "a>"},
		"no range":     {Name: "a", Min: 2, Max: 1},
		"no scale":     {Name: "a", Kind: Scaled},
		"endless step": {Name: "a", Kind: Scaled, Scale: math.Inf(1)},
		"text":         {Name: "a", Kind: Other},
		"too small":    {Name: "a", Max: 0},
	} {
		o := Output{Scan: Scan{Records: 1, Fields: []Field{good, f}}, Fill: fillFrom([][]float64{{1}, {1}})}
		if err := Write(&bytes.Buffer{}, Header{}, []Output{o}); err == nil {
			t.Errorf("%s: was written", name)
		}
	}
	far := Columns{X: []float64{1e300}, Y: []float64{0}, Z: []float64{0}}
	if _, err := far.Output(Scan{}, Scaled, 1e-3); !errors.Is(err, errUnwritable) {
		t.Errorf("got %v for a point that no step reaches", err)
	}
}

// failing is a writer that takes a number of bytes and no more.
type failing struct{ left int }

var errFull = errors.New("no room")

func (f *failing) Write(p []byte) (int, error) {
	if f.left -= len(p); f.left < 0 {
		return 0, errFull
	}
	return len(p), nil
}

func TestWriteFaults(t *testing.T) {
	n := 200_000
	o := Output{Scan: Scan{Records: int64(n), Fields: []Field{{Name: "cartesianX", Kind: Double}}}, Fill: fillFrom([][]float64{make([]float64, n)})}
	for _, room := range []int{0, 300_000, 1_500_000} {
		if err := Write(&failing{left: room}, Header{}, []Output{o}); !errors.Is(err, errFull) {
			t.Errorf("room for %d bytes: got %v", room, err)
		}
	}
	o.Fill = func(first int64, _ [][]float64) error {
		if first > 0 {
			return errFull
		}
		return nil
	}
	if err := Write(&bytes.Buffer{}, Header{}, []Output{o}); !errors.Is(err, errFull) {
		t.Errorf("got %v from a source that gives up", err)
	}
}
