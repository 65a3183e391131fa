package report

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline"
	"trammel/pipeline/coverage"
	"trammel/pipeline/datum"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/mount"
	"trammel/pipeline/network"
	"trammel/pipeline/sphere"
	"trammel/pipeline/sticker"
)

// contract are the examples of the two JSON documents, as what users rely on gives
// them: arrays hold one example, "…" and empty arrays stand for anything.
const (
	contractCheck = `{"format": "trammel-check/1", "units": "mm",
 "files": [{"path": "scans/tripod/s01.ply", "sha256": "…", "bytes": 0, "kind": "station", "points": 0, "triangles": 0,
            "units": {"declared": "m", "measured": "m", "basis": "spheres"},
            "bounds": {"min": [0,0,0], "max": [0,0,0]},
            "spheres": [{"center": [0,0,0], "sigma": [0,0,0], "diameter": 145.0, "rms": 0.9, "points": 1234, "cap": 150.0}],
            "findings": []}],
 "network": {"stations": [{"path": "…", "rotation": [0], "translation": [0], "rms": 0.4}],
             "spheres": [{"id": "S1", "center": [0,0,0], "sigma": [0,0,0], "stations": ["…"], "status": "used"}],
             "sigma0": 1.0, "dof": 0},
 "findings": []}`
	contractReport = `{"job": "2026-041", "revision": 1, "units": "mm",
 "tracked": [{"path": "…", "rotation": [], "translation": [], "rms": 0.1, "overlap": 0.6}],
 "overlaps": [{"a": "…", "b": "…", "median": 0.1, "mad": 0.4, "points": 0}],
 "mesh": {"fused_triangles": 0, "triangles": 0, "deviation": {"max": 0.0, "rms": 0.0}, "area": 0.0, "boundary_edges": 0, "nonmanifold_edges": 0},
 "datum": {"method": "control", "rotation": [], "translation": [], "rms": 0.0, "points": [{"name": "A", "sphere": "S3", "residual": [0,0,0]}]},
 "mounts": [{"name": "left-front", "kind": "hole", "center": [0,0,0], "axis": [0,0,1], "diameter": 13.4, "sigma": [0,0,0], "deviation": [0,0,0]}],
 "stickers": [{"center": [0,0,0], "diameter": 8.0, "height": 0.15, "replaced": true}],
 "coverage": [{"name": "underside", "seen": 0.97, "share": 0.95, "spacing": 3.1}],
 "findings": []}`
)

// holds reports what of the example is missing in a document, or of another type.
func holds(path string, example, got any) []string {
	if reflect.TypeOf(example) != reflect.TypeOf(got) {
		return []string{path + " is of another type"}
	}
	var missing []string
	switch e := example.(type) {
	case map[string]any:
		for _, key := range slices.Sorted(maps.Keys(e)) {
			if v, ok := got.(map[string]any)[key]; ok {
				missing = append(missing, holds(path+"."+key, e[key], v)...)
				continue
			}
			missing = append(missing, path+"."+key+" is missing")
		}
	case []any:
		a := got.([]any)
		if len(e) > 0 && len(a) == 0 {
			return []string{path + " is empty"}
		}
		if len(e) > 0 {
			missing = append(missing, holds(path+"[0]", e[0], a[0])...)
		}
	}
	return missing
}

func decoded(t *testing.T, doc []byte) any {
	t.Helper()
	var v any
	if err := json.Unmarshal(doc, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// measured is a job with one of everything, in the given units.
func measured(u length.Unit) *pipeline.Built {
	b := built(6)
	b.Units, b.Job.Units = u, u
	b.Job.Datum = &job.Datum{Method: job.Control}
	b.Network.Sigma0, b.Network.DOF = 1.1, 9
	for i := range b.Network.Spheres {
		b.Network.Spheres[i].Stations = []int{0, 1}
	}
	b.Network.Stations[0].Name, b.Network.Stations[1].Name = "scans/tripod/s01.ply", "scans/tripod/s02.ply"
	b.Files[0].Kind, b.Files[0].Bounds = job.Station, geom.Box{Min: geom.Vec{X: -254}, Max: geom.Vec{X: 508}}
	b.Files[0].Spheres = []sphere.Sphere{{Center: geom.Vec{X: 254}, Cov: geom.Diag(1, 4, 9), Diameter: 145, RMS: 0.9, Points: 1234, CapDeg: 150, Usable: true}}
	b.Tracked = []pipeline.Tracked{{File: 1, ToNetwork: geom.IdentityPose(), Linked: true}}
	b.Overlaps = []pipeline.Overlap{{A: 0, B: 1}}
	b.Stickers = []pipeline.Sticker{{Disc: sticker.Disc{Diameter: 8, Height: 0.15}, By: -1}}
	b.Overlaps[0].Median, b.Overlaps[0].Points = 2.54, 7
	b.Datum = &datum.Result{OK: true, NetworkToDatum: geom.IdentityPose(), RMS: 0.254, Points: []datum.Point{{Name: "A", Sphere: "S1", Residual: geom.Vec{X: 25.4}, Used: true}}}
	b.Mounts = []mount.Result{{Name: "left-front", Kind: job.Hole, Found: true, Center: geom.Vec{X: 1270}, Axis: geom.Vec{Z: 1}, Diameter: 12.7, Cov: geom.Diag(0.01, 0.04, 0.09), SigmaDia: 0.127, Points: 99, ArcDeg: 360}}
	b.Coverage = []coverage.Result{{Name: "underside", Seen: 0.97, Share: 0.95, Spacing: 5.08}}
	b.Mesh.Area = 25.4 * 25.4 * 10
	return b
}

// The keys are those of the contract, at every level.
func TestJSONHoldsTheContract(t *testing.T) {
	b := measured(length.Millimetre)
	check, err := JSON(NewCheck(&b.Checked))
	if err != nil {
		t.Fatal(err)
	}
	report, err := JSON(NewReport(b, Context{Revision: 1}))
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		name, example string
		got           []byte
	}{{"check", contractCheck, check}, {"report", contractReport, report}, {"the check in the report", strings.Replace(contractCheck, `"format"`, `"job": "2026-041", "format"`, 1), report}} {
		for _, m := range holds(x.name, decoded(t, []byte(x.example)), decoded(t, x.got)) {
			t.Error(m)
		}
		if x.got[len(x.got)-1] != '\n' {
			t.Errorf("%s does not end with a newline", x.name)
		}
	}
	for name, got := range map[string][]byte{"trammel-check/1": check, "trammel-report/1": report} {
		if f := decoded(t, got).(map[string]any)["format"]; f != name {
			t.Errorf("format %v, want %v", f, name)
		}
	}
}

// The examples above are those of the contract's own text, where that is at hand.
func TestExamplesAreTheContracts(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "shared", "contract.md"))
	if err != nil {
		t.Skip("the text of the contract is not beside the repository")
	}
	blocks := regexp.MustCompile("(?s)```json\n(.*?)```").FindAllStringSubmatch(string(text), -1)
	keys := regexp.MustCompile(`"([a-z0-9_]+)":`)
	for i, example := range []string{contractCheck, contractReport} {
		if i >= len(blocks) {
			t.Fatalf("the contract has %d examples", len(blocks))
		}
		for _, m := range keys.FindAllStringSubmatch(blocks[i][1], -1) {
			if !strings.Contains(example, m[0]) {
				t.Errorf("example %d lacks %s", i+1, m[0])
			}
		}
	}
}

// Lists of nothing are [], so that programs need not ask for null.
func TestJSONHasNoNullLists(t *testing.T) {
	b := &pipeline.Built{Checked: pipeline.Checked{ToFrame: geom.IdentityPose()}}
	b.Job = &job.Sheet{}
	got, err := JSON(NewReport(b, Context{}))
	if err != nil {
		t.Fatal(err)
	}
	nulls := regexp.MustCompile(`"(\w+)": null`).FindAllStringSubmatch(string(got), -1)
	if len(nulls) != 1 || nulls[0][1] != "datum" {
		t.Errorf("null: %v, want only a datum that the sheet does not set", nulls)
	}
}

// 25.4 mm are an inch, 1000 mm a metre (length's source); areas go by the square,
// directions and shares by nothing.
func TestUnitsScale(t *testing.T) {
	for u, mm := range map[length.Unit]float64{length.Millimetre: 1, length.Centimetre: 10, length.Metre: 1000, length.Inch: 25.4} {
		r := NewReport(measured(u), Context{})
		for name, x := range map[string]struct{ got, inMM float64 }{
			"sphere": {r.Files[0].Spheres[0].Center[0], 254}, "its sigma": {r.Files[0].Spheres[0].Sigma[2], 3}, "its diameter": {r.Files[0].Spheres[0].Diameter, 145},
			"bounds": {r.Files[0].Bounds.Max[0], 508}, "set-up": {r.Network.Stations[0].Translation[0], -4500}, "residual": {r.Datum.Points[0].Residual[0], 25.4},
			"mount": {r.Mounts[0].Center[0], 1270}, "its sigma Y": {r.Mounts[0].Sigma[1], 0.2}, "its diameter's": {r.Mounts[0].SigmaDiameter, 0.127},
			"overlap": {r.Overlaps[0].Median, 2.54}, "spacing": {r.Coverage[0].Spacing, 5.08}, "deviation": {r.Mesh.Deviation.Max, 0.47},
		} {
			if want := x.inMM / mm; math.Abs(x.got-want) > 1e-12*math.Abs(want) {
				t.Errorf("%s in %s: %v, want %v", name, u, x.got, want)
			}
		}
		if want := 6451.6 / mm / mm; math.Abs(r.Mesh.Area-want) > 1e-9*want {
			t.Errorf("area in %s²: %v, want %v", u, r.Mesh.Area, want)
		}
		if r.Mounts[0].Axis != (Vec3{0, 0, 1}) || r.Coverage[0].Seen != 0.97 || r.Files[0].Spheres[0].Cap != 150 {
			t.Errorf("in %s directions, shares or angles were scaled", u)
		}
	}
}

// What is not a number must not reach a document, which would not be JSON.
func TestNotANumberNeverReachesJSON(t *testing.T) {
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		b := measured(length.Inch)
		v := geom.Vec{X: bad, Y: bad, Z: bad}
		b.Files[0].Bounds = geom.EmptyBox()
		b.Files[0].Spheres[0] = sphere.Sphere{Center: v, Cov: geom.Diag(bad, -1, bad), Diameter: bad, RMS: bad, CapDeg: bad}
		b.Network.Sigma0, b.Network.Spheres[0].Center, b.Stations[0].RMS = bad, v, bad
		b.Datum.RMS, b.Datum.Points[0].Residual = bad, v
		b.Mounts[0] = mount.Result{Center: v, Axis: v, Diameter: bad, Cov: geom.Diag(bad, bad, bad), SigmaDia: bad, Deviation: v, ArcDeg: bad}
		b.Coverage[0] = coverage.Result{Seen: bad, Share: 0.95, Spacing: bad}
		b.Mesh = pipeline.MeshFacts{DeviationMax: bad, DeviationRMS: bad, DeviationAt: v, Area: bad, Bounds: geom.EmptyBox()}
		b.Overlaps[0].Median, b.Overlaps[0].MAD = bad, bad
		b.Tracked[0].Fit.RMS, b.Tracked[0].Fit.Overlap = bad, bad
		b.Surface = nil
		r := NewReport(b, Context{})
		if _, err := JSON(r); err != nil {
			t.Errorf("%v: %v", bad, err)
		}
		if _, err := MountsCSV(r); err != nil {
			t.Errorf("%v: %v", bad, err)
		}
		if _, err := Draw(context.Background(), b); err != nil {
			t.Errorf("%v: %v", bad, err)
		}
	}
}

func TestPosesLeadToTheDatum(t *testing.T) {
	b := measured(length.Millimetre)
	b.ToFrame = geom.Pose{R: geom.RotVec(geom.Vec{Z: math.Pi / 2}), T: geom.Vec{X: 100}}
	b.Network.Spheres[0] = network.SphereResult{ID: "S1", Center: geom.Vec{X: 10}, Cov: geom.Diag(1, 4, 9)}
	r := NewReport(b, Context{})
	// A quarter turn about Z takes X to Y: (-4500, 0) goes to (100, -4500).
	if got := r.Network.Stations[0].Translation; math.Abs(got[0]-100) > 1e-9 || math.Abs(got[1]+4500) > 1e-9 {
		t.Errorf("set-up at %v, want (100, -4500)", got)
	}
	s := r.Network.Spheres[0]
	if math.Abs(s.Center[0]-100) > 1e-9 || math.Abs(s.Center[1]-10) > 1e-9 || math.Abs(s.Sigma[0]-2) > 1e-9 || math.Abs(s.Sigma[1]-1) > 1e-9 {
		t.Errorf("sphere %+v, want (100, 10) with sigmas 2 and 1", s)
	}
	// A check gives them in the same frame.
	if got := NewCheck(&b.Checked).Network.Stations[0].Translation; got != r.Network.Stations[0].Translation {
		t.Errorf("the check gives %v, the report %v", got, r.Network.Stations[0].Translation)
	}
}

func cells(t *testing.T, b []byte) [][]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(string(b))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func TestMountsCSV(t *testing.T) {
	for u, want := range map[length.Unit][2]string{length.Millimetre: {"1270.0000", "12.7000"}, length.Inch: {"50.000000", "0.500000"}, length.Metre: {"1.2700000", "0.0127000"}} {
		b, err := MountsCSV(NewReport(measured(u), Context{}))
		if err != nil {
			t.Fatal(err)
		}
		rows := cells(t, b)
		if len(rows) != 2 || len(rows[0]) != len(rows[1]) {
			t.Fatalf("%d rows", len(rows))
		}
		got := map[string]string{}
		for i, name := range rows[0] {
			got[name] = rows[1][i]
		}
		if got["x_"+string(u)] != want[0] || got["diameter_"+string(u)] != want[1] || got["name"] != "left-front" || got["found"] != "true" || got["points"] != "99" {
			t.Errorf("in %s: %v", u, got)
		}
		if !strings.HasSuffix(string(b), "\r\n") {
			t.Error("lines do not end as RFC 4180, 2, wants")
		}
	}
}

// A cell that a spreadsheet would run begins with an apostrophe; numbers stay
// numbers (OWASP, CSV Injection; the list of signs from memory).
func TestCellsThatSpreadsheetsWouldRun(t *testing.T) {
	tests := map[string]string{
		"=1+1": "'=1+1", "+cmd|' /C calc'!A0": "'+cmd|' /C calc'!A0", "-2+3": "'-2+3", "@SUM(1)": "'@SUM(1)", "\tx": "'\tx", "\rx": "'\rx",
		"-12.5": "-12.5", "+0.25": "+0.25", "-1e-7": "-1e-7", "plain": "plain", "": "", "a=b": "a=b", "quote\"d, and\ncut": "quote\"d, and\ncut",
	}
	for in, want := range tests {
		if got := harmless(in); got != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
}

// What goes into a table comes out of it again, but for the apostrophes.
func TestCSVRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		cell := rapid.StringMatching(`[a-z=+@,";\n -]{0,8}`)
		rows := rapid.SliceOfN(rapid.SliceOfN(cell, 3, 3), 1, 5).Draw(rt, "rows")
		b, err := CSV(rows)
		if err != nil {
			rt.Fatal(err)
		}
		got, err := csv.NewReader(strings.NewReader(string(b))).ReadAll()
		if err != nil {
			rt.Fatal(err)
		}
		for i, row := range rows {
			for k, c := range row {
				g := got[i][k]
				if g != c && g != "'"+c {
					rt.Fatalf("%q became %q", c, g)
				}
				if _, err := strconv.ParseFloat(g, 64); err != nil && g != "" && strings.ContainsAny(g[:1], "=+-@") {
					rt.Fatalf("%q would be run", g)
				}
			}
		}
	})
}

func TestJSONLeavesTextAlone(t *testing.T) {
	r := sample()
	r.Title = hostile
	b, err := JSON(r)
	if err != nil {
		t.Fatal(err)
	}
	var back Report
	if err := json.Unmarshal(b, &back); err != nil || back.Title != hostile || !reflect.DeepEqual(back, r) {
		t.Errorf("the report came back otherwise, its title as %q, %v", back.Title, err)
	}
}
