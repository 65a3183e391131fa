package report

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"strings"
	"testing"

	"trammel/pipeline/job"
	"trammel/pipeline/length"
)

// hostile is what a job sheet or a file name may hold: markup, a formula, and
// marks that turn the direction of writing.
const hostile = "<script>alert(1)</script>\u202egnp.\u200b& 中 {{.}} =1+1"

// sample is a report in which every field says something that is found nowhere else.
func sample() Report {
	hold := job.Finding{Code: job.SphereMoved, Severity: job.Hold, Subject: "S3", Stations: []string{"scans/tripod/s07.ply"},
		Text: "Sphere S3 stands 14.2 mm elsewhere for 1 of 8 set-ups; the limit is 3.1 mm. Scan s07 again with the sphere back on its mark, or leave S3 out there."}
	warn := job.Finding{Code: job.MountUncertain, Severity: job.Warn, Subject: "boom-left", Text: "The mount boom-left is known to 0.31 mm only; the limit is 0.20 mm. Scan it from within 2 m."}
	note := job.Finding{Code: job.ScansMissing, Severity: job.Note, Subject: "tripod", Text: "8 of 9 set-ups have arrived; the capture is still going on."}
	turn := [9]float64{0.8, -0.6, 0, 0.6, 0.8, 0, 0, 0, 1}
	r := Report{
		Check: Check{Format: "trammel-report/1", Units: length.Millimetre, Findings: []job.Finding{hold, warn, note},
			Coverage: []Coverage{{Name: "underside", Seen: 0.9349, Share: 0.95, Spacing: 3.17, Incidence: &Incidence{Median: 38.2, Grazing: 0.071, Known: 0.9}, Instruments: []SeenBy{{Name: "tripod", Seen: 0.41, Any: 0.8, Spacing: 9.2}}},
				{Name: "boom", Seen: 0.99, Share: 0.9, Spacing: 2.25}}},
		Job: "2026-041", Title: "Boom refit for a trailed orchard sprayer", Client: "Hollow Lane Orchards", Revision: 2, Program: "v1.2.3",
		Overlaps: []Overlap{{A: "scans/hand/boom.ply", B: "scans/tripod/s01.ply", Median: 0.11, MAD: 0.42, Points: 88123}},
		Mesh: Mesh{FusedTriangles: 1834211, Triangles: 198765, Deviation: Deviation{Max: 0.487, RMS: 0.092, At: Vec3{1203.5, -88.25, 640}},
			Area: 38123456, BoundaryEdges: 4321, NonManifoldEdges: 7, Bounds: Bounds{Vec3{-2950.5, -1880, 20.25}, Vec3{2960, 1875.5, 2410.75}}},
		Datum: &Datum{Method: job.Control, Fits: true, Rotation: turn, Translation: Vec3{1204.111, -33.222, 512.333}, RMS: 0.456, Points: []DatumPoint{
			{Name: "A", Sphere: "S1", Residual: Vec3{0.12, -0.34, 0.05}, Used: true}, {Name: "B", Sphere: "S2", Residual: Vec3{-0.21, 0.19, 0.08}, Used: true}, {Name: "C", Sphere: "S4", Residual: Vec3{9.87, 0.01, 0}}}},
		Accepted: []Decision{{Subject: "layout-weak:scans/tripod/s02.ply", By: "A. Keeper", Why: "The wall leaves no other place."}},
		Released: []Decision{{Subject: "2026-041-r001", By: "B. Owner"}},
	}
	for i := range 8 {
		name := "scans/tripod/s0" + string(rune('1'+i)) + ".ply"
		f := File{Path: name, SHA256: strings.Repeat("0123456789abcdef", 4), Bytes: 7654321 + int64(i), Kind: job.Station, Points: 440123 + int64(i),
			Units: UnitsOf{length.Metre, length.Metre, "spheres"}, Bounds: Bounds{Vec3{-5000, -4000, -1500}, Vec3{7000, 6000, 2500}}}
		for k := range 6 {
			f.Spheres = append(f.Spheres, Sphere{Center: Vec3{1000 + float64(100*k+i), -2000 + float64(k), 300.5}, Sigma: Vec3{0.1, 0.2, 0.3}, Diameter: 145.06, RMS: 0.93, Points: 1234 + k, Cap: 151, Used: k != 5})
		}
		r.Files = append(r.Files, f)
		r.Network.Stations = append(r.Network.Stations, Station{Path: name, Linked: i != 6, Rotation: turn, Translation: Vec3{3000 * float64(i-3), 2500.25, 1400}, RMS: 0.41 + float64(i)/100})
	}
	r.Files = append(r.Files, File{Path: "scans/hand/boom.ply", SHA256: "fedcba9876543210ff", Bytes: 1, Kind: job.Tracked, Points: 500, Triangles: 990, SameAs: "scans/hand/boom2.ply"})
	r.Tracked = []Tracked{{Path: "scans/hand/boom.ply", Linked: true, Rotation: turn, Translation: Vec3{11.5, 22.5, 33.5}, RMS: 0.177, Overlap: 0.613}}
	for k, id := range []string{"S1", "S2", "S3", "S3b", "S4"} {
		r.Network.Spheres = append(r.Network.Spheres, NetworkSphere{ID: id, Center: Vec3{float64(700 * k), 1234.56, 500}, Sigma: Vec3{0.15, 0.16, 0.17}, Stations: []string{"scans/tripod/s01.ply", "scans/tripod/s02.ply"}, Status: map[bool]string{true: "moved", false: "used"}[k == 2 || k == 3]})
	}
	r.Network.Sigma0, r.Network.DOF = 1.043, 57
	r.Mounts = []Mount{
		{Name: "boom-left", Kind: job.Hole, Found: true, Center: Vec3{1200.42, -400.17, 301.08}, Axis: Vec3{0, 0.0123, 0.9999}, Diameter: 13.46, Sigma: Vec3{0.081, 0.092, 0.153}, SigmaDiameter: 0.064, Deviation: Vec3{0.42, -0.17, 1.08}, Points: 812, Arc: 343, Instrument: "hand"},
		{Name: "pad", Kind: job.Plane, Found: true, Center: Vec3{10, 20, 30}, Axis: Vec3{0, 0, 1}, Sigma: Vec3{0.5, 0.5, 0.05}, Points: 2400, Instrument: "tripod"},
		{Name: "boom-right", Kind: job.Stud},
	}
	return r
}

// speckle is a small picture for tests of the layout.
func speckle(t testing.TB, w, h int) []byte {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetRGBA(x, y, color.RGBA{uint8(x * 255 / w), uint8(y * 255 / h), 140, 255})
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func samplePictures(t testing.TB) Pictures {
	wide := speckle(t, 240, 160)
	return Pictures{Plan: Plan{SVG: []byte(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 8 6"><text y="5">plan</text></svg>`), PNG: speckle(t, 320, 248)},
		Renders:   []Picture{{"Seen from the left front.", wide}, {"Seen from the right rear.", wide}, {"Seen from below.", wide}},
		Departure: &Picture{"Signed distance of the reduced mesh from the fused one.", wide}}
}
