package e57

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"trammel/pipeline/geom"
)

// referenceReader lets an open E57 library that was written by others (the Rust
// crate e57, 0.10.5, as the npm package web-e57, 1.2.0, has it) read a file and
// print its valid points in the file's frame.
const referenceReader = `
import { readFileSync } from "fs";
const [folder, file] = process.argv.slice(2);
const glue = await import(folder + "/e57_bg.js");
const code = new WebAssembly.Module(readFileSync(folder + "/e57_bg.wasm"));
const imports = {};
for (const i of WebAssembly.Module.imports(code)) (imports[i.module] ??= {})[i.name] = glue[i.name];
glue.__wbg_set_wasm(new WebAssembly.Instance(code, imports).exports);
process.stdout.write(glue.convertE57(new Uint8Array(readFileSync(file)), "XYZ"));
`

// referenceFolder returns where the reference library lies, or skips the test.
func referenceFolder(t *testing.T) string {
	t.Helper()
	root, err := exec.Command("npm", "root", "-g").Output()
	folder := filepath.Join(strings.TrimSpace(string(root)), "web-e57")
	if err == nil {
		_, err = os.Stat(folder)
	}
	if err != nil {
		t.Skip("no reference library for E57 here; npm install -g web-e57@1.2.0 fetches it (Apache-2.0)")
	}
	return folder
}

func readByReference(t *testing.T, raw []byte) []geom.Vec {
	t.Helper()
	folder := referenceFolder(t)
	script, file := filepath.Join(t.TempDir(), "read.mjs"), filepath.Join(t.TempDir(), "a.e57")
	for path, content := range map[string][]byte{script: []byte(referenceReader), file: raw} {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	out, err := exec.Command("node", script, folder, file).Output()
	if err != nil {
		t.Fatal(err)
	}
	var points []geom.Vec
	for line := range bytes.Lines(out) {
		var p geom.Vec
		if _, err := fmt.Sscan(string(line), &p.X, &p.Y, &p.Z); err == nil {
			points = append(points, p)
		}
	}
	return points
}

// TestOthersReadWhatWeWrite compares what the reference library reads with what
// is read here, in the frame that the scans share.
func TestOthersReadWhatWeWrite(t *testing.T) {
	var c Columns
	for i := range 30_000 {
		angle := float64(i) / 500
		c.X, c.Y, c.Z = append(c.X, 5*math.Cos(angle)), append(c.Y, 5*math.Sin(angle)), append(c.Z, float64(i)/1e4)
		c.Intensity, c.RGB = append(c.Intensity, float32(i)/30_000), append(c.RGB, uint8(i), 7, 255)
		c.State = append(c.State, uint8(max(0, i%10-7)))
		c.Row, c.Column = append(c.Row, int32(i/100)), append(c.Column, int32(i%100))
	}
	pose := geom.Pose{R: geom.RotVec(geom.Vec{X: 0.1, Y: 0.2, Z: 3}), T: geom.Vec{X: -4, Y: 5, Z: 1.25}}
	var scans []Output
	for _, kind := range []Kind{Scaled, Single, Double} {
		o, err := c.Output(Scan{GUID: fmt.Sprintf("{%d}", kind), Name: "high", Pose: &pose, Intensity: Limits{Max: 1}}, kind, 1e-4)
		if err != nil {
			t.Fatal(err)
		}
		scans = append(scans, o)
	}
	scans = append(scans, sphericalScan())
	raw := mustWrite(t, Header{GUID: "{f}", Created: 1e9}, scans...)
	theirs := readByReference(t, raw)
	f, all := mustRead(t, raw)
	compareWithTheirs(t, f, all, theirs)
}

// compareWithTheirs compares points in the frame of the file.
func compareWithTheirs(t *testing.T, f *File, all []whole, theirs []geom.Vec) {
	t.Helper()
	k := 0
	for s := range all {
		toFile := geom.IdentityPose()
		if f.Scans[s].Pose != nil {
			toFile = *f.Scans[s].Pose
		}
		for i := range all[s].X {
			ours := toFile.Apply(all[s].at(i))
			if k < len(theirs) && ours.Dist(theirs[k]) > 1e-12*(10+ours.Norm()) {
				t.Fatalf("point %d of scan %d: we read %v, they read %v", i, s, ours, theirs[k])
			}
			k++
		}
	}
	if k != len(theirs) {
		t.Errorf("we read %d points, they read %d", k, len(theirs))
	}
}

// TestOthersReadTheSamples compares on real files of three other writers.
func TestOthersReadTheSamples(t *testing.T) {
	samples(t)
	for _, name := range []string{"bunnyInt19.e57", "bunnyDouble.e57", "tiny_spherical.e57", "ColouredCubeFloat.e57", "integer_intensity.e57"} {
		raw, err := os.ReadFile(filepath.Join(sampleFolder, name))
		if err != nil {
			t.Fatal(err)
		}
		f, all := mustRead(t, raw)
		compareWithTheirs(t, f, all, readByReference(t, raw))
	}
}

// sphericalScan is a scan of directions and ranges in fields of odd widths.
func sphericalScan() Output {
	const n = 5000
	values := make([][]float64, 4)
	for i := range n {
		values[0] = append(values[0], 1+float64(i%700)/1000)
		values[1] = append(values[1], -math.Pi+float64(i)/1000)
		values[2] = append(values[2], -1+float64(i%50)/25)
		values[3] = append(values[3], float64(i%3))
	}
	return Output{Scan: Scan{GUID: "{s}", Records: n, Fields: []Field{
		{Name: "sphericalRange", Kind: Scaled, Max: 3000, Scale: 0.001},
		{Name: "sphericalAzimuth", Kind: Double, Low: -4, High: 4},
		{Name: "sphericalElevation", Kind: Scaled, Min: -1 << 40, Max: 1 << 40, Scale: 0x1p-36},
		{Name: "sphericalInvalidState", Max: 2},
	}}, Fill: fillFrom(values)}
}

// TestOthersReadTheGoldenFile holds the reference library to CV-8.8 as well.
func TestOthersReadTheGoldenFile(t *testing.T) {
	theirs := readByReference(t, golden(t))
	if len(theirs) != 1 || theirs[0].Dist(geom.Vec{X: 1.0001, Y: 3.2345, Z: 0.5}) > 1e-12 {
		t.Errorf("got %v", theirs)
	}
}
