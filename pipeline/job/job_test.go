package job

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
)

const full = `job: 2026-041
title: Free text
client: Free text
units: mm
instruments:
  - name: tripod
    kind: station
    drop: scans/tripod
    register: spheres
    units: m
    expect: 9
    noise: 1 mm
  - name: hand
    kind: tracked
    drop: scans/hand
    units: mm
    prefer: true
spheres:
  diameter: 145 mm
  tolerance: 1 mm
  expect: 6
object:
  box: {min: [-3 m, -2 m, 0.02 m], max: [3 m, 2 m, 3 m]}
mesh:
  voxel: 3 mm
  triangles: 200000
  deviation: 0.5 mm
datum:
  method: control
  points:
    - {name: A, at: [0 mm, 0 mm, 500 mm]}
    - {name: B, at: [4200 mm, 0 mm, 520 mm]}
    - {name: C, at: [4200 mm, 2600 mm, 900 mm]}
mounts:
  - name: left-front
    near: [1200 mm, -400 mm, 300 mm]
    within: 60 mm
    expect: hole
    diameter: 13.5 mm
coverage:
  - name: underside
    box: {min: [-1 m, -0.6 m, 0.2 m], max: [1 m, 0.6 m, 0.6 m]}
    spacing: 5 mm
    share: 0.95
package:
  format: zip
  raw: false
`

func TestTheContractsSheet(t *testing.T) {
	s, err := ParseSheet("job.yaml", []byte(full))
	if err != nil {
		t.Fatal(err)
	}
	tripod := Instrument{Name: "tripod", Kind: Station, Drop: "scans/tripod", Register: BySpheres, Units: length.Metre, Expect: 9, Noise: 1}
	if s.Instruments[0] != tripod {
		t.Errorf("got %+v, want %+v", s.Instruments[0], tripod)
	}
	if s.Instruments[1].Register != BySurface || !s.Instruments[1].Prefer {
		t.Errorf("got %+v", s.Instruments[1])
	}
	if len(s.Spheres) != 1 || s.Spheres[0] != (Spheres{145, 1, 6}) || s.Mesh.Voxel != 3 || s.Mesh.Triangles != 200000 || s.Mesh.Deviation != 0.5 || !slices.Equal(s.Mesh.Formats, []Format{GLB}) || s.Mesh.Colour != NoColour || s.Package != (PackageWay{"zip", false}) {
		t.Errorf("got %+v %+v %+v", s.Spheres, s.Mesh, s.Package)
	}
	if *s.Object != (geom.Box{Min: geom.Vec{X: -3000, Y: -2000, Z: 20}, Max: geom.Vec{X: 3000, Y: 2000, Z: 3000}}) {
		t.Errorf("got %+v", *s.Object)
	}
	if len(s.Datum.Points) != 3 || s.Datum.Points[1].At != (geom.Vec{X: 4200, Z: 520}) {
		t.Errorf("got %+v", s.Datum)
	}
	if m := s.Mounts[0]; m.Name != "left-front" || m.Near != (geom.Vec{X: 1200, Y: -400, Z: 300}) || m.Within != 60 || m.Expect != Hole || m.Diameter != 13.5 || m.Nominal() != m.Near || s.Coverage[0].Share != 0.95 || s.Coverage[0].Spacing != 5 {
		t.Errorf("got %+v %+v", s.Mounts[0], s.Coverage[0])
	}
}

func TestDefaults(t *testing.T) {
	s, err := ParseSheet("job.yaml", []byte("job: a\nunits: in\ninstruments: [{name: t, kind: station, drop: s, register: given}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	if s.Mesh.Voxel != DefaultVoxel || s.Mesh.Deviation != DefaultDeviation || s.Package.Format != "zip" || s.Spheres != nil || s.Datum != nil {
		t.Errorf("got %+v", s)
	}
}

func TestTemplateIsAGoodSheet(t *testing.T) {
	text := Template("orchard-1")
	if s, err := ParseSheet("job.yaml", []byte(text)); err != nil || s.Job != "orchard-1" {
		t.Errorf("%v", err)
	}
	// With every optional part switched on it is still good.
	var on []string
	for l := range strings.SplitSeq(text, "\n") {
		if trimmed := strings.TrimPrefix(strings.TrimLeft(l, " "), "# "); strings.HasPrefix(strings.TrimLeft(l, " "), "# ") && !strings.HasPrefix(trimmed, "Job sheet") {
			l = strings.Repeat(" ", len(l)-len(strings.TrimLeft(l, " "))) + trimmed
		}
		on = append(on, l)
	}
	if _, err := ParseSheet("job.yaml", []byte(strings.Join(on, "\n"))); err != nil {
		t.Errorf("with its comments taken out: %v", err)
	}
}

// TestWrongSheets changes one thing of a good sheet: the error must name the
// line, the key, and the cure.
func TestWrongSheets(t *testing.T) {
	cases := []struct {
		name, old, with string
		line            int
		key, say        string
	}{
		{"typo", "  diameter: 145 mm", "  diametre: 145 mm", 19, "spheres.diametre", "did you mean diameter?"},
		{"top-level typo", "spheres:\n", "sphers:\n", 18, "sphers", "did you mean spheres?"},
		{"bare length", "voxel: 3 mm", "voxel: 3", 25, "mesh.voxel", "no unit"},
		{"bare zero in a point", "[0 mm, 0 mm, 500 mm]", "[0, 0 mm, 500 mm]", 31, "datum.points[0].at[0]", "no unit"},
		{"unknown unit", "145 mm", "145 furlong", 19, "spheres.diameter", "not a unit"},
		{"negative", "145 mm", "-145 mm", 19, "spheres.diameter", "impossible"},
		{"two kinds that cannot be told apart", "spheres:\n  diameter: 145 mm\n  tolerance: 1 mm\n  expect: 6\n", "spheres:\n  - {diameter: 145 mm}\n  - {diameter: 146 mm}\n", 19, "spheres[1].diameter", "hardly tell apart"},
		{"a form of mesh", "  voxel: 3 mm", "  formats: [glb, dwg]\n  voxel: 3 mm", 25, "mesh.formats[1]", "glb"},
		{"a feather of nothing", "  voxel: 3 mm", "  feather: 0 mm\n  voxel: 3 mm", 25, "mesh.feather", "impossible"},
		{"a hole to close", "  voxel: 3 mm", "  close: 3\n  voxel: 3 mm", 25, "mesh.close", "no unit"},
		{"levels that rise", "  voxel: 3 mm", "  levels: [20000, 30000]\n  voxel: 3 mm", 25, "mesh.levels[1]", "largest first"},
		{"a level of nothing", "  voxel: 3 mm", "  levels: [20]\n  voxel: 3 mm", 25, "mesh.levels[0]", "at least 100"},
		{"finer cells nowhere", "  voxel: 3 mm", "  fine: [{voxel: 1 mm}]\n  voxel: 3 mm", 25, "mesh.fine[0]", "one place"},
		{"finer cells at two places", "  voxel: 3 mm", "  fine: [{mount: left-front, box: {min: [0 m, 0 m, 0 m], max: [1 m, 1 m, 1 m]}, voxel: 1 mm}]\n  voxel: 3 mm", 25, "mesh.fine[0]", "one place"},
		{"finer cells that are not", "  voxel: 3 mm", "  fine: [{mount: left-front, voxel: 3 mm}]\n  voxel: 3 mm", 1, "mesh.fine[0].voxel", "must be smaller"},
		{"cells far too fine", "  voxel: 3 mm", "  fine: [{mount: left-front, voxel: 0.05 mm}]\n  voxel: 3 mm", 1, "mesh.fine[0].voxel", "no smaller than"},
		{"finer cells at no mount", "  voxel: 3 mm", "  fine: [{mount: nowhere, voxel: 1 mm}]\n  voxel: 3 mm", 1, "mesh.fine[0].mount", "no mount"},
		{"a sphere of metres", "145 mm", "145 m", 19, "spheres.diameter", "impossible"},
		{"tolerance", "tolerance: 1 mm", "tolerance: 40 mm", 19, "spheres.tolerance", "quarter"},
		{"kind", "kind: station", "kind: drone", 7, "instruments[0].kind", "station or tracked"},
		{"count", "expect: 9", "expect: nine", 11, "instruments[0].expect", "whole number"},
		{"count of zero", "expect: 9", "expect: 0", 11, "instruments[0].expect", "at least 1"},
		{"bool", "prefer: true", "prefer: maybe", 17, "instruments[1].prefer", "true or false"},
		{"share", "share: 0.95", "share: 95", 44, "coverage[0].share", "up to 1"},
		{"box", "max: [1 m, 0.6 m, 0.6 m]", "max: [1 m, -0.7 m, 0.6 m]", 42, "coverage[0].box", "along y"},
		{"point", "[0 mm, 0 mm, 500 mm]", "[0 mm, 0 mm]", 31, "datum.points[0].at", "three lengths"},
		{"twice", "units: mm\ninstruments", "units: mm\nunits: mm\ninstruments", 5, "units", "twice"},
		{"missing", "units: mm\ninstruments", "instruments", 1, "units", "missing"},
		{"drop outside", "drop: scans/tripod", "drop: ../tripod", 8, "instruments[0].drop", "below the job folder"},
		{"drop in work", "drop: scans/tripod", "drop: work/x", 8, "instruments[0].drop", "keeps for itself"},
		{"drops overlap", "drop: scans/hand", "drop: scans/tripod/hand", 13, "instruments[1].drop", "overlap"},
		{"job name", "job: 2026-041", "job: a/b", 1, "job", "cannot name"},
		{"device name", "job: 2026-041", "job: CON", 1, "job", "cannot name"},
		{"two points", "    - {name: C, at: [4200 mm, 2600 mm, 900 mm]}\n", "", 29, "datum.points", "2 control points"},
		{"points in line", "[4200 mm, 2600 mm, 900 mm]", "[8400 mm, 0 mm, 540 mm]", 29, "datum.points", "one line"},
		{"format", "format: zip", "format: rar", 46, "package.format", "zip or tar.zst"},
		{"nothing", "title: Free text", "title:", 2, "title", "nothing"},
		{"not a mapping", "  voxel: 3 mm\n  triangles: 200000\n  deviation: 0.5 mm", "  - 3 mm", 25, "mesh", "not a mapping"},
		{"alias", "prefer: true", "prefer: &x true", 17, "instruments[1].prefer", "anchors"},
		{"no spheres", "spheres:\n  diameter: 145 mm\n  tolerance: 1 mm\n  expect: 6\n", "", 1, "spheres", "registered by spheres"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if !strings.Contains(full, c.old) {
				t.Fatalf("the sheet has no %q", c.old)
			}
			_, err := ParseSheet("job.yaml", []byte(strings.Replace(full, c.old, c.with, 1)))
			var sheet *SheetError
			if !errors.As(err, &sheet) {
				t.Fatalf("got %v", err)
			}
			for _, p := range sheet.Problems {
				if p.Line == c.line && p.Key == c.key && strings.Contains(p.Wrong+p.Right, c.say) {
					if !strings.Contains(err.Error(), fmt.Sprintf("job.yaml:%d: %s:", c.line, c.key)) {
						t.Errorf("the message does not name file, line and key: %s", err)
					}
					return
				}
			}
			t.Errorf("want line %d, key %s, %q; got %s", c.line, c.key, c.say, err)
		})
	}
}

func TestAllProblemsAtOnce(t *testing.T) {
	_, err := ParseSheet("job.yaml", []byte(strings.NewReplacer("145 mm", "145", "voxel", "voxl", "expect: 9", "expect: x").Replace(full)))
	var sheet *SheetError
	if !errors.As(err, &sheet) || len(sheet.Problems) != 3 {
		t.Errorf("got %v", err)
	}
}

func TestNotASheet(t *testing.T) {
	for _, text := range []string{"", "# only a comment\n", "- a\n", "job: [", "\x00\x01", "a: &a [*a]\n", "---\njob: a\n---\njob: b\n", strings.Repeat("x", maxSheetBytes+1)} {
		var sheet *SheetError
		if _, err := ParseSheet("job.yaml", []byte(text)); !errors.As(err, &sheet) {
			t.Errorf("%.20q: got %v", text, err)
		}
	}
}

func FuzzParseSheet(f *testing.F) {
	f.Add([]byte(full))
	f.Add([]byte("job: a\nunits: mm\ninstruments: [{}]"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := ParseSheet("job.yaml", text)
		if (s == nil) == (err == nil) {
			t.Errorf("sheet %v, error %v", s, err)
		}
	})
}

func put(t *testing.T, dir string, names ...string) {
	t.Helper()
	for _, n := range names {
		p := filepath.Join(dir, filepath.FromSlash(n))
		if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o755), os.WriteFile(p, []byte(n), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
}

func TestListTakesScansAlone(t *testing.T) {
	dir := t.TempDir()
	s, err := ParseSheet("job.yaml", []byte(full))
	if err != nil {
		t.Fatal(err)
	}
	put(t, dir, "scans/tripod/s02.ply", "scans/tripod/s01.ply", "scans/tripod/a/b/s03.ply", "scans/hand/h.stl", "scans/tripod/.hidden", "scans/tripod/s04.ply.part",
		"scans/tripod/s05.tmp", "scans/tripod/s06.crdownload", "scans/tripod/.~s07.ply", "scans/tripod/poses.csv", "scans/tripod/s01.png", "elsewhere/x.ply", "scans/tripod/folder.ply/inside.ply")
	a, err := List(dir, s)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range a.Scans {
		got = append(got, x.Path)
	}
	want := "scans/tripod/a/b/s03.ply scans/tripod/s01.ply scans/tripod/s02.ply scans/hand/h.stl"
	if strings.Join(got, " ") != want {
		t.Errorf("got %v, want %s", got, want)
	}
	if len(a.Findings) != 1 || a.Findings[0].Code != FileUnreadable || a.Findings[0].Subject != "scans/tripod/folder.ply" || a.Findings[0].Severity != Hold {
		t.Errorf("findings %v", a.Findings)
	}
}

func TestListDoesNotFollowLinksOut(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("making links needs a privilege there")
	}
	dir, outside := t.TempDir(), t.TempDir()
	put(t, outside, "x.ply")
	put(t, dir, "scans/tripod/s01.ply", "raw/s02.ply")
	s, err := ParseSheet("job.yaml", []byte(full))
	if err != nil {
		t.Fatal(err)
	}
	drop := filepath.Join(dir, "scans/tripod")
	for name, target := range map[string]string{"out.ply": filepath.Join(outside, "x.ply"), "in.ply": filepath.Join(dir, "raw/s02.ply"), "loop.ply": "loop.ply", "nowhere.ply": "none", "folder": outside} {
		if err := os.Symlink(target, filepath.Join(drop, name)); err != nil {
			t.Fatal(err)
		}
	}
	a, err := List(dir, s)
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Scans) != 2 || a.Scans[0].Path != "scans/tripod/in.ply" {
		t.Errorf("scans %v", a.Scans)
	}
	var named []string
	for _, f := range a.Findings {
		named = append(named, filepath.Base(f.Subject))
	}
	if strings.Join(named, " ") != "folder loop.ply nowhere.ply out.ply" {
		t.Errorf("findings %v", named)
	}
}

func TestListOfNothing(t *testing.T) {
	s, err := ParseSheet("job.yaml", []byte(full))
	if err != nil {
		t.Fatal(err)
	}
	if a, err := List(t.TempDir(), s); err != nil || len(a.Scans)+len(a.Findings) != 0 {
		t.Errorf("got %v, %v", a, err)
	}
}

func TestReadPoses(t *testing.T) {
	dir := t.TempDir()
	ins := Instrument{Name: "t", Drop: "s", Units: length.Metre}
	put(t, dir, "s/x")
	write := func(text string) {
		if err := os.WriteFile(filepath.Join(dir, "s", PosesCSV), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("file,tx,ty,tz,qw,qx,qy,qz\r\na.ply,1,2,3,0.5,0.5,0.5,0.5\nb.ply, 0,0,0, 1,0,0,0\n")
	poses, _, err := ReadPoses(dir, ins)
	if err != nil {
		t.Fatal(err)
	}
	if got := poses["s/a.ply"].Apply(geom.Vec{X: 10}); got.Dist(geom.Vec{X: 1000, Y: 2010, Z: 3000}) > 1e-9 { // x → y, CV-1.4's last row
		t.Errorf("got %v", got)
	}
	for text, say := range map[string]string{
		"": "no pose", "file,tx\n": "header", "file,tx,ty,tz,qw,qx,qy,qz\na,1,2,3,1,1,0,0\n": "length", "file,tx,ty,tz,qw,qx,qy,qz\na,x,2,3,1,0,0,0\n": "not a number",
		"file,tx,ty,tz,qw,qx,qy,qz\na,1,2\n": "fields", "file,tx,ty,tz,qw,qx,qy,qz\na,0,0,0,1,0,0,0\na,0,0,0,1,0,0,0\n": "twice",
	} {
		write(text)
		var sheet *SheetError
		if _, _, err := ReadPoses(dir, ins); !errors.As(err, &sheet) || !strings.Contains(err.Error(), say) {
			t.Errorf("%q: got %v, want %q", text, err, say)
		}
	}
}

func TestStillCaptured(t *testing.T) {
	s := &Sheet{Instruments: []Instrument{{Expect: 3}}}
	now := time.Date(2026, 5, 6, 12, 0, 0, 0, time.UTC)
	cases := []struct {
		name     string
		age      time.Duration
		arrived  int
		captured bool
		want     bool
	}{
		{"young and few", time.Hour, 2, false, true}, {"young and all", time.Hour, 3, false, false}, {"old and few", 3 * time.Hour, 2, false, false}, {"declared over", time.Hour, 2, true, false},
	}
	for _, c := range cases {
		s.Captured = c.captured
		if got := s.StillCaptured(now.Add(-c.age), now, 2*time.Hour, func(int) int { return c.arrived }); got != c.want {
			t.Errorf("%s: got %v", c.name, got)
		}
	}
	if s.Captured = false; s.StillCaptured(time.Time{}, now, 2*time.Hour, func(int) int { return 0 }) {
		t.Error("a job without scans counts as being captured")
	}
}

func TestPrintable(t *testing.T) {
	for in, want := range map[string]string{"a\x1b[31m": `a\u001b[31m`, "\xff": `\xff`, "Größe": "Größe", "a\u202eb": `a\u202eb`, "a\nb": `a\u000ab`} {
		if got := Printable(in); got != want {
			t.Errorf("Printable(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestSortFindings(t *testing.T) {
	f := []Finding{{Code: "b", Severity: Note}, {Code: "b", Severity: Hold, Subject: "y"}, {Code: "a", Severity: Warn}, {Code: "b", Severity: Hold, Subject: "x"}}
	SortFindings(f)
	if f[0].Subject != "x" || f[1].Subject != "y" || f[2].Severity != Warn || f[3].Severity != Note {
		t.Errorf("got %v", f)
	}
	if !Holds(f) || Holds(f[2:]) {
		t.Error("wrong about holds")
	}
}

func TestSeveralKindsOfSpheres(t *testing.T) {
	text := strings.Replace(full, "spheres:\n  diameter: 145 mm\n  tolerance: 1 mm\n  expect: 6\n", "spheres:\n  - {diameter: 145 mm, expect: 4}\n  - {diameter: 0.2 m, tolerance: 2 mm}\n", 1)
	s, err := ParseSheet("job.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if want := []Spheres{{145, DefaultTolerance, 4}, {200, 2, 0}}; !slices.Equal(s.Spheres, want) {
		t.Errorf("got %+v, want %+v", s.Spheres, want)
	}
}

func TestDatumMethods(t *testing.T) {
	head, _, _ := strings.Cut(full, "datum:")
	tail := full[strings.Index(full, "mounts:"):]
	parse := func(datum string) (*Sheet, error) { return ParseSheet("job.yaml", []byte(head+datum+tail)) }
	s, err := parse("datum:\n  method: planes\n  primary: {seed: [0 mm, 1 m, 0 m], radius: 100 mm}\n  secondary: {seed: [0 mm, 1 m, 0 m], radius: 50 mm, to: [1 m, 1 m, 0 m]}\n  origin: {seed: [0 mm, 1 m, 0 m], radius: 50 mm}\n")
	if err != nil {
		t.Fatal(err)
	}
	d := s.Datum
	if d.Primary.Axis != "Z" || d.Secondary.Axis != "X" || d.Secondary.Expect != Hole || d.Origin.Expect != Hole || d.Primary.Expect != Plane || d.Secondary.To.X != 1000 {
		t.Errorf("got %+v, %+v, %+v", d.Primary, d.Secondary, d.Origin)
	}
	s, err = parse("datum:\n  method: mirror\n  origin: {seed: [0 mm, 1 m, 0 m], radius: 100 mm, expect: plane}\n  toward: [5 m, 0 m, 0 m]\n")
	if err != nil || s.Datum.Toward.X != 5000 || s.Datum.Origin.Expect != Plane {
		t.Errorf("got %+v, %v", s, err)
	}
	const wheel = "{seed: [0 m, 1 m, 0.4 m], radius: 500 mm}"
	const mirrored = "datum:\n  method: mirror\n  origin: {seed: [0 m, 0 m, 0 m], radius: 100 mm}\n"
	if s.Datum.Up != UpFloor {
		t.Errorf("Z from %q, want the floor", s.Datum.Up)
	}
	s, err = parse(mirrored + "  up: wheels\n  wheels: [" + wheel + ", " + wheel + ", " + wheel + "]\n")
	if err != nil || s.Datum.Up != UpWheels || len(s.Datum.Wheels) != 3 || s.Datum.Wheels[1].Seed.Y != 1000 || s.Datum.Wheels[2].Radius != 500 {
		t.Errorf("got %+v, %v", s, err)
	}
	for name, text := range map[string]string{
		"two wheels":    mirrored + "  up: wheels\n  wheels: [" + wheel + ", " + wheel + "]\n",
		"no wheels":     mirrored + "  up: wheels\n",
		"wheels, floor": mirrored + "  wheels: [" + wheel + ", " + wheel + ", " + wheel + "]\n",
		"up, planes":    "datum:\n  method: planes\n  up: wheels\n  primary: {seed: [0 m, 0 m, 0 m], radius: 1 m}\n  secondary: {seed: [0 m, 0 m, 0 m], radius: 1 m}\n  origin: {seed: [0 m, 0 m, 0 m], radius: 1 m}\n  wheels: [" + wheel + ", " + wheel + ", " + wheel + "]\n",
		"up to what":    mirrored + "  up: sky\n",
		"no origin":     "datum: {method: mirror}\n",
		"no secondary":  "datum:\n  method: planes\n  primary: {seed: [0 m, 0 m, 0 m], radius: 1 m}\n  origin: {seed: [0 m, 0 m, 0 m], radius: 1 m}\n",
		"one axis":      "datum:\n  method: planes\n  primary: {seed: [0 m, 0 m, 0 m], radius: 1 m}\n  secondary: {seed: [0 m, 0 m, 0 m], radius: 1 m, axis: -Z}\n  origin: {seed: [0 m, 0 m, 0 m], radius: 1 m}\n",
		"unknown axis":  "datum:\n  method: planes\n  primary: {seed: [0 m, 0 m, 0 m], radius: 1 m, axis: W}\n  secondary: {seed: [0 m, 0 m, 0 m], radius: 1 m}\n  origin: {seed: [0 m, 0 m, 0 m], radius: 1 m}\n",
		"bare number":   "datum:\n  method: mirror\n  origin: {seed: [0, 0, 0], radius: 1 m}\n",
		"no such way":   "datum: {method: guess}\n",
		"radius absent": "datum:\n  method: mirror\n  origin: {seed: [0 m, 0 m, 0 m]}\n",
	} {
		if _, err := parse(text); err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
}

// TestMeshFine: places and sizes of finer cells arrive as they stand.
func TestMeshFine(t *testing.T) {
	s, err := ParseSheet("job.yaml", []byte(strings.Replace(full, "  voxel: 3 mm", "  fine:\n  - {mount: left-front, voxel: 1 mm}\n  - {box: {min: [0 m, 0 m, 0 m], max: [1 m, 2 m, 3 m]}, voxel: 0.5 mm}\n  adapt: false\n  feather: 2 cm\n  voxel: 3 mm", 1)))
	if err != nil {
		t.Fatal(err)
	}
	if f := s.Mesh.Fine; len(f) != 2 || f[0].Mount != "left-front" || f[0].Box != nil || f[0].Voxel != 1 || f[1].Voxel != 0.5 || f[1].Box.Max != (geom.Vec{X: 1000, Y: 2000, Z: 3000}) || s.Mesh.Adapt || s.Mesh.Feather != 20 {
		t.Errorf("%+v", s.Mesh)
	}
	if s, err = ParseSheet("job.yaml", []byte(full)); err != nil || !s.Mesh.Adapt {
		t.Errorf("a sheet that says nothing: %v, %+v", err, s.Mesh)
	}
}

// TestMeshLevels: what the sheet says of holes and coarser meshes arrives as it stands.
func TestMeshLevels(t *testing.T) {
	s, err := ParseSheet("job.yaml", []byte(strings.Replace(full, "  voxel: 3 mm", "  close: 5 mm\n  levels: [100000, 20000]\n  voxel: 3 mm", 1)))
	if err != nil {
		t.Fatal(err)
	}
	if s.Mesh.Close != 5 || !slices.Equal(s.Mesh.Levels, []int{100000, 20000}) {
		t.Errorf("close %v, levels %v", s.Mesh.Close, s.Mesh.Levels)
	}
}
