package surface

import (
	"bufio"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/normal"
	"trammel/pipeline/scan"
)

const bunnyDir = "../../../shared/data/range-scans-bunny/"

func bunnyNames() []string { return []string{"bun000", "bun045", "bun180", "bun270", "bun315"} }

// rangeScan is one of the five range images: points with normals, and its
// published pose.
type rangeScan struct {
	name     string
	cloud    *scan.Cloud
	sight    Sight
	toCommon geom.Pose
}

func bunnyScans(t testing.TB) []rangeScan {
	t.Helper()
	text, err := os.ReadFile(bunnyDir + "expected.json")
	if err != nil {
		t.Skip("the range scans are not here; they stand in shared/data/range-scans-bunny:", err)
	}
	var all struct {
		Files []struct {
			Path   string
			Expect struct {
				Points int
				Pose   struct{ Rotation, Translation []float64 }
			}
		}
	}
	if err := json.Unmarshal(text, &all); err != nil {
		t.Fatal(err)
	}
	var out []rangeScan
	for _, f := range all.Files {
		name, _, _ := strings.Cut(f.Path, ".")
		if !slices.Contains(bunnyNames(), name) {
			continue
		}
		s := rangeScan{name: name, cloud: readRange(t, f.Path)}
		s.toCommon = geom.Pose{R: geom.Mat(f.Expect.Pose.Rotation), T: geom.FromArray([3]float64(f.Expect.Pose.Translation)).Scale(1000)}
		if s.cloud.Len() != f.Expect.Points {
			t.Fatalf("%s: %d points, want %d", name, s.cloud.Len(), f.Expect.Points)
		}
		v, err := normal.Estimate(context.Background(), s.cloud, normal.Options{})
		if err != nil {
			t.Fatal(name, err)
		}
		s.sight = Sight{Known: true, Parallel: v.Kind == normal.Parallel, Vec: v.Direction}
		keep := make([]bool, s.cloud.Len())
		for i, e := range v.Edge {
			keep[i] = !e
		}
		s.cloud.Keep(0, keep)
		out = append(out, s)
	}
	return out
}

// readRange reads the points of a packed range image, in millimetres.
func readRange(t testing.TB, file string) *scan.Cloud {
	t.Helper()
	f, err := os.Open(bunnyDir + file)
	if err != nil {
		t.Skip("the range scans are not here; they stand in shared/data/range-scans-bunny:", err)
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	c := &scan.Cloud{}
	points := strings.HasSuffix(file, ".csv.gz")
	for s := bufio.NewScanner(z); s.Scan(); {
		if s.Text() == "end_header" {
			points = true
			continue
		}
		if v := numbers(s.Text()); points && len(v) >= 3 { // lines of the grid have one or two numbers
			c.Append(geom.Vec{X: v[0], Y: v[1], Z: v[2]}.Scale(1000))
		}
	}
	return c
}

// numbers reads a line of numbers separated by blanks or commas; nil for words.
func numbers(line string) []float64 {
	var out []float64
	for _, f := range strings.FieldsFunc(line, func(r rune) bool { return r == ',' || r == ' ' }) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			return nil
		}
		out = append(out, v)
	}
	return out
}

// The five range images are placed on each other with no first guess, and come out
// where the source says that they belong (The Stanford 3D Scanning Repository; the
// published poses are known to 0.1 to 0.5 mm themselves). The chain goes from image
// to image; two that share no surface are not placed.
func TestLocateBunny(t *testing.T) {
	scans := bunnyScans(t)
	toCommon := map[string]geom.Pose{"bun000": scans[0].toCommon}
	byName := map[string]rangeScan{}
	for _, s := range scans {
		byName[s.name] = s
	}
	for _, c := range [][2]string{{"bun045", "bun000"}, {"bun315", "bun000"}, {"bun270", "bun315"}, {"bun180", "bun270"}} {
		source, target := byName[c[0]], byName[c[1]]
		found := locate(t, source.cloud, target.cloud, LocateOptions{SourceSight: source.sight, TargetSight: target.sight})
		p := found[0]
		toCommon[c[0]] = toCommon[c[1]].After(p.SourceToTarget)
		angle, shift := publishedError(source, p.SourceToTarget, target.toCommon)
		chainAngle, chainShift := publishedError(source, toCommon[c[0]], geom.IdentityPose())
		t.Logf("%s on %s: %.2f degrees, %.2f mm off; along the chain %.2f degrees, %.2f mm; score %.2f, meets %.2f and %.2f, contradicts %.3f, blocked %.3f, rms %.2f",
			c[0], c[1], angle, shift, chainAngle, chainShift, p.Score, p.SourceMeets, p.TargetMeets, p.Contradicts, p.Blocked, p.RMS)
		if !p.Confident() || angle > 0.5 || shift > 0.6 {
			t.Errorf("%s on %s: %.2f degrees, %.2f mm off, doubts %v", c[0], c[1], angle, shift, p.Doubts)
		}
		if chainAngle > 1 || chainShift > 1.5 {
			t.Errorf("%s: %.2f degrees, %.2f mm off at the end of the chain", c[0], chainAngle, chainShift)
		}
	}
	a, b := byName["bun045"], byName["bun180"]
	found, err := Locate(context.Background(), a.cloud, b.cloud, LocateOptions{SourceSight: a.sight, TargetSight: b.sight})
	if !errors.Is(err, ErrNoOverlap) && (err != nil || found[0].Confident()) {
		t.Errorf("045 and 180 share no surface: got %v, %v", found, err)
	}
}

// publishedError returns by how much a pose of a scan is turned (degrees) and how far it puts
// the middle of the scan (mm) from where the published poses do.
func publishedError(s rangeScan, toTarget, targetToCommon geom.Pose) (degrees, shift float64) {
	want := targetToCommon.Inverse().After(s.toCommon)
	mid := s.cloud.Bounds().Center()
	return geom.Angle(want.R.T().Mul(toTarget.R)) * 180 / math.Pi, want.Apply(mid).Dist(toTarget.Apply(mid))
}
