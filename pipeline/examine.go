package pipeline

import (
	"cmp"
	"context"
	"encoding/hex"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/intake"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
	"trammel/pipeline/sphere"
	"trammel/pipeline/stage"
)

func (r *run) inspectOne(ctx context.Context, p part, sum stage.Key, e expectation) (File, error) {
	key, err := stage.KeyOf("inspect", inspectVersion, struct {
		expectation
		Index int
	}{e, p.index}, sum)
	if err != nil {
		return File{}, err
	}
	f, err := stage.Run(r.store, "inspect", p.Path, key, stage.JSON[File](), func() (File, error) { return examine(ctx, p, e) })
	f.Path, f.Raw, f.Bytes, f.SHA256 = p.Path, p.raw, p.Bytes, hex.EncodeToString(sum[:])
	f.Scan, f.Scans = p.index, p.of
	f.Instrument, f.Disk = p.Instrument, p.File
	return f, err
}

// examine reads a scan and says what it is. What is wrong with the file is a
// finding; an error is the disk's.
func examine(ctx context.Context, p part, e expectation) (File, error) {
	f := File{Kind: e.Kind, Bounds: geom.EmptyBox()}
	content, left, err := readScan(ctx, p.File, p.index, isSetUp(e.Kind), 1)
	if err != nil {
		finding, blame := intake.Unreadable(p.Path, p.Bytes, err)
		if !blame {
			return f, err
		}
		f.Findings = append(f.Findings, finding)
		f.Bounds = geom.Box{}
		return f, nil
	}
	points := pointsOf(content)
	f.describe(content, p.index)
	f.Points, f.Left = int64(points.Len()), left
	if left.Total() > 0 {
		f.Findings = append(f.Findings, intake.Invalid(p.Path, left, f.Points+left.Total()))
	}
	if points.Len() == 0 {
		f.Findings, f.Bounds = append(f.Findings, intake.Empty(p.Path, p.Bytes, f.Blank)), geom.Box{}
		return f, nil
	}
	f.Findings = append(f.Findings, intake.ZeroTail(p.Path, left, f.Points+left.Total())...)
	f.Readable = len(f.Findings) == 0 || !job.Holds(f.Findings)
	if err := f.judge(ctx, points, content.About.Units, p, e); err != nil {
		return f, err
	}
	if err := f.findOnSurface(ctx, content, e); err != nil {
		return f, err
	}
	return f, f.survey(ctx, content, points, e)
}

// findOnSurface looks for reference spheres in a tracked scan, which shows them from
// several sides; without normals it shows none.
func (f *File) findOnSurface(ctx context.Context, content format.Content, e expectation) error {
	if isSetUp(e.Kind) || len(e.Spheres) == 0 {
		return nil
	}
	c := content.Cloud
	if content.Mesh != nil {
		c = content.Mesh.Cloud()
	}
	mm := scaleOf(f.Units)
	var kinds []sphere.Result
	for _, k := range e.Spheres {
		r, err := sphere.FindOnSurface(ctx, c, sphere.Options{Diameter: k.Diameter / mm, Tolerance: k.Tolerance / mm})
		if err != nil {
			return err
		}
		kinds = append(kinds, r)
	}
	found := joinKinds(kinds)
	for _, b := range found.Spheres {
		if b = scaled(b, mm); b.Usable {
			f.Spheres = append(f.Spheres, b)
			continue
		}
		f.Rejected = append(f.Rejected, sphere.Candidate{Center: b.Center, Diameter: b.Diameter, Points: b.Points, Reason: "its diameter is outside the tolerance"})
	}
	for _, r := range found.Rejected {
		r.Center, r.Diameter = r.Center.Scale(mm), r.Diameter*mm
		f.Rejected = append(f.Rejected, r)
	}
	return nil
}

// describe notes what the file says of the scan.
func (f *File) describe(content format.Content, index int) {
	f.Format, f.Notes, f.Blank = content.About.Format, content.About.Notes, content.Blank
	if content.Mesh != nil {
		f.Triangles = int64(content.Mesh.Triangles())
	}
	if index < len(content.About.Scans) {
		f.Name = content.About.Scans[index].Name
	}
	if pose, ok := content.About.Pose(index, 1); ok {
		f.Pose = &pose
	}
}

// judge settles the units and finds the spheres; points are in the file's own
// numbers.
func (f *File) judge(ctx context.Context, points *scan.Cloud, declared length.Unit, p part, e expectation) error {
	found := map[length.Unit]sphere.Result{}
	evidence := intake.Evidence{File: declared, Sheet: e.Units, Extent: intake.Extent(points), Object: e.Object, Around: isSetUp(e.Kind)}
	if len(e.Spheres) > 0 && isSetUp(e.Kind) {
		evidence.Spheres = func(u length.Unit) (int, error) {
			r, err := findSpheres(ctx, points, e, u.MM())
			found[u] = r
			return usable(r.Spheres), err
		}
	}
	units, findings, err := intake.Decide(evidence, p.Path)
	if err != nil {
		return err
	}
	f.Units, f.Findings = units, append(f.Findings, findings...)
	f.takeUnit(points.Bounds())
	at := units.Use()
	if units.Measured != length.Unknown {
		at = units.Measured // where spheres were found, though the sheet declares another unit
	}
	mm := scaleOf(units)
	for _, b := range found[at].Spheres {
		b = scaled(b, mm)
		f.Spheres = append(f.Spheres, b)
		if !b.Usable && units.Measured == units.Use() {
			f.Findings = append(f.Findings, wrongDiameter(p.Path, b, e.Spheres))
		}
	}
	for _, r := range found[at].Rejected {
		r.Center, r.Diameter = r.Center.Scale(mm), r.Diameter*mm
		f.Rejected = append(f.Rejected, r)
	}
	return nil
}

// findSpheres looks for every kind of sphere with the file read in a unit of mm
// millimetres; lengths of the result are in the file's numbers.
func findSpheres(ctx context.Context, points *scan.Cloud, e expectation, mm float64) (sphere.Result, error) {
	var kinds []sphere.Result
	for _, k := range e.Spheres {
		r, err := sphere.Find(ctx, points, sphere.Options{Diameter: k.Diameter / mm, Tolerance: k.Tolerance / mm, Noise: e.Noise / mm})
		if err != nil {
			return r, err
		}
		kinds = append(kinds, r)
	}
	return joinKinds(kinds), nil
}

// joinKinds puts what was found of each kind together. Where two kinds claim one
// place, the one whose diameter fits better has it.
func joinKinds(kinds []sphere.Result) (all sphere.Result) {
	if len(kinds) == 1 {
		return kinds[0]
	}
	var claims []sphere.Sphere
	for _, r := range kinds {
		claims = append(claims, r.Spheres...)
	}
	misfit := func(s sphere.Sphere) float64 { return math.Abs(s.Diameter-s.Nominal) / s.Nominal }
	slices.SortStableFunc(claims, func(a, b sphere.Sphere) int { return cmp.Compare(misfit(a), misfit(b)) })
	taken := func(at geom.Vec, radius float64) bool {
		return slices.ContainsFunc(all.Spheres, func(s sphere.Sphere) bool { return s.Center.Dist(at) < max(radius, s.Nominal/2) })
	}
	for _, s := range claims {
		if !taken(s.Center, s.Nominal/2) {
			all.Spheres = append(all.Spheres, s)
		}
	}
	slices.SortStableFunc(all.Spheres, func(a, b sphere.Sphere) int { return cmp.Compare(a.Distance, b.Distance) })
	for _, r := range kinds {
		for _, c := range r.Rejected {
			if !taken(c.Center, 0) {
				all.Rejected = append(all.Rejected, c)
			}
		}
	}
	return all
}

// takeUnit brings box and pose to millimetres, once the unit is known.
func (f *File) takeUnit(box geom.Box) {
	mm := scaleOf(f.Units)
	f.Bounds = geom.Box{Min: box.Min.Scale(mm), Max: box.Max.Scale(mm)}
	if f.Pose != nil {
		f.Pose.T = f.Pose.T.Scale(mm)
	}
}

// survey looks at the quality of points and triangles.
func (f *File) survey(ctx context.Context, content format.Content, points *scan.Cloud, e expectation) error {
	mm := scaleOf(f.Units)
	s, err := intake.SurveyPoints(ctx, points, isSetUp(e.Kind) && content.Mesh == nil)
	if err != nil {
		return err
	}
	if content.Mesh != nil {
		s.Doubled = 0 // vertices may be split for their attributes; triangles are looked at below
	}
	f.Survey, f.Sketch = s.Scaled(mm), intake.Sketch(points, mm)
	f.Findings = append(f.Findings, f.Survey.Quality(e.Path, f.Points, e.Noise)...)
	if content.Mesh == nil {
		return nil
	}
	flaws, err := intake.SurveyMesh(ctx, content.Mesh)
	if err != nil {
		return err
	}
	f.Flaws = &flaws
	f.Findings = append(f.Findings, flaws.MeshFlaws(e.Path, f.Triangles)...)
	return nil
}

// markDuplicates lets scans with the content of an earlier one refer to it: the
// same bytes, or the same points in another order, format or unit.
func markDuplicates(files []File) {
	type content struct {
		sum  string
		scan int
	}
	first := map[content]string{}
	for i := range files {
		f := &files[i]
		c := content{f.SHA256, f.Scan}
		same, twice := first[c]
		if twice && f.Bytes > 0 {
			f.SameAs, f.Findings = same, append(f.Findings, intake.Duplicate(f.Path, same))
			continue
		}
		first[c] = f.Path
		for k := range i {
			if g := &files[k]; g.SameAs == "" && g.usable() && f.usable() && sameCount(f.Points, g.Points) && intake.SameScan(f.Sketch, g.Sketch) {
				f.SameAs, f.Findings = g.Path, append(f.Findings, intake.SamePoints(f.Path, g.Path))
				break
			}
		}
	}
}

// sameCount allows for what one export drops and another keeps. Two dense scans of one
// skin in one frame fill the same cubic millimetres, but hardly with as many points.
func sameCount(a, b int64) bool { return 100*max(a, b) <= 101*min(a, b) }

func usable(s []sphere.Sphere) int {
	n := 0
	for _, b := range s {
		if b.Usable {
			n++
		}
	}
	return n
}

// scaleOf returns the millimetres of one of the file's numbers; a file of
// unknown units is taken as millimetres and on hold.
func scaleOf(u intake.Units) float64 {
	if mm := u.Use().MM(); mm > 0 {
		return mm
	}
	return 1
}

func scaled(b sphere.Sphere, mm float64) sphere.Sphere {
	b.Center, b.Cov = b.Center.Scale(mm), b.Cov.Scale(mm*mm)
	b.Nominal, b.Form = b.Nominal*mm, b.Form*mm
	b.Diameter, b.DiameterSigma, b.RMS, b.Distance = b.Diameter*mm, b.DiameterSigma*mm, b.RMS*mm, b.Distance*mm
	return b
}

func wrongDiameter(path string, b sphere.Sphere, kinds []job.Spheres) job.Finding {
	want := kinds[0]
	for _, k := range kinds {
		if math.Abs(k.Diameter-b.Nominal) < math.Abs(want.Diameter-b.Nominal) {
			want = k
		}
	}
	return job.Finding{Code: job.SphereDiameter, Severity: job.Warn, Subject: path,
		Text: fmt.Sprintf("In %s the sphere at (%.0f, %.0f, %.0f) mm, %.1f m away, has a fitted diameter of %.2f mm; %.2f ± %.2f mm are accepted. It is not used. To do: look whether it is one of the reference spheres, clean and undamaged.",
			job.Printable(path), b.Center.X, b.Center.Y, b.Center.Z, b.Distance/1000, b.Diameter, want.Diameter, want.Tolerance)}
}

// pointsOf returns the points of a cloud or the vertices of a mesh.
func pointsOf(c format.Content) *scan.Cloud {
	switch {
	case c.Cloud != nil:
		return c.Cloud
	case c.Mesh != nil:
		return &scan.Cloud{Origin: c.Mesh.Origin, X: c.Mesh.X, Y: c.Mesh.Y, Z: c.Mesh.Z}
	}
	return &scan.Cloud{}
}
