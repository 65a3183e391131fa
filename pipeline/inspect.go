package pipeline

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"

	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/intake"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
	"trammel/pipeline/sphere"
	"trammel/pipeline/stage"
)

// expectation is what a file is judged by: the part of the sheet that inspect
// reads, and so a part of its key.
type expectation struct {
	Path     string
	Kind     job.Kind
	Units    length.Unit
	Spheres  *job.Spheres
	Register job.Register
	Noise    float64
	Object   float64 // diagonal of the object's box, mm
}

const inspectVersion = 3

// inspect hashes, reads and judges every file, one at a time: a file of ten
// million points fills memory, and the work inside is parallel.
func (r *run) inspect(ctx context.Context, scans []job.Scan, expect func(s job.Scan) expectation) ([]File, error) {
	sums := make([]stage.Key, len(scans))
	if err := par.Each(ctx, len(scans), func(i int) (err error) {
		sums[i], err = hashFile(scans[i].File)
		return err
	}); err != nil {
		return nil, err
	}
	first := map[stage.Key]string{}
	files := make([]File, 0, len(scans))
	for i, s := range scans {
		r.progress("inspecting", s.Path, i, len(scans))
		f, err := r.inspectOne(ctx, s, sums[i], expect(s))
		if err != nil {
			return nil, err
		}
		if same, twice := first[sums[i]]; twice && s.Bytes > 0 {
			f.SameAs, f.Findings = same, append(f.Findings, intake.Duplicate(s.Path, same))
		} else {
			first[sums[i]] = s.Path
		}
		files = append(files, f)
	}
	return files, nil
}

// hashFile returns the SHA-256 of a file and notices when it changes meanwhile.
func hashFile(path string) (stage.Key, error) {
	f, err := os.Open(path)
	if err != nil {
		return stage.Key{}, err
	}
	before, err := f.Stat()
	if err != nil {
		return stage.Key{}, errors.Join(err, f.Close())
	}
	h := sha256.New()
	n, err := io.CopyBuffer(h, f, make([]byte, 1<<20))
	if err := errors.Join(err, f.Close()); err != nil {
		return stage.Key{}, fmt.Errorf("read %s: %w", path, err)
	}
	after, err := os.Stat(path)
	if err != nil {
		return stage.Key{}, err
	}
	if n != before.Size() || after.Size() != before.Size() || !after.ModTime().Equal(before.ModTime()) || !os.SameFile(before, after) {
		return stage.Key{}, fmt.Errorf("%s: %w", path, ErrChanged)
	}
	return stage.Key(h.Sum(nil)), nil
}

// ErrChanged says that a file was written to while it was read. Try again when
// the copying is over.
var ErrChanged = errors.New("the file changed while it was read; try again when it is complete")

func (r *run) inspectOne(ctx context.Context, s job.Scan, sum stage.Key, e expectation) (File, error) {
	key, err := stage.KeyOf("inspect", inspectVersion, e, sum)
	if err != nil {
		return File{}, err
	}
	f, err := stage.Run(r.store, "inspect", s.Path, key, stage.JSON[File](), func() (File, error) { return examine(ctx, s, e) })
	f.Path, f.Bytes, f.SHA256 = s.Path, s.Bytes, hex.EncodeToString(sum[:])
	f.Instrument, f.Disk = s.Instrument, s.File
	return f, err
}

// examine reads a file and says what it is. What is wrong with the file is a
// finding; an error is the disk's.
func examine(ctx context.Context, s job.Scan, e expectation) (File, error) {
	f := File{Kind: e.Kind, Bounds: geom.EmptyBox()}
	content, left, err := readScan(ctx, s.File, 1)
	if err != nil {
		finding, blame := intake.Unreadable(s.Path, s.Bytes, err)
		if !blame {
			return f, err
		}
		f.Findings = append(f.Findings, finding)
		f.Bounds = geom.Box{}
		return f, nil
	}
	f.Format = content.About.Format
	points := pointsOf(content)
	f.Points = int64(points.Len())
	if content.Mesh != nil {
		f.Triangles = int64(content.Mesh.Triangles())
	}
	if left > 0 {
		f.Findings = append(f.Findings, intake.Invalid(s.Path, left, f.Points+left))
	}
	if points.Len() == 0 {
		f.Findings, f.Bounds = append(f.Findings, intake.Empty(s.Path, s.Bytes)), geom.Box{}
		return f, nil
	}
	f.Readable = true
	return f, f.judge(ctx, points, content.About.Units, s, e)
}

// judge settles the units and finds the spheres; points are in the file's own
// numbers.
func (f *File) judge(ctx context.Context, points *scan.Cloud, declared length.Unit, s job.Scan, e expectation) error {
	found := map[length.Unit][]sphere.Sphere{}
	box := points.Bounds()
	evidence := intake.Evidence{File: declared, Sheet: e.Units, Extent: intake.Diagonal(box), Object: e.Object}
	if e.Spheres != nil && e.Kind == job.Station {
		evidence.Spheres = func(u length.Unit) (int, error) {
			o := sphere.Options{Diameter: e.Spheres.Diameter / u.MM(), Tolerance: e.Spheres.Tolerance / u.MM(), Noise: e.Noise / u.MM()}
			r, err := sphere.Find(ctx, points, o)
			found[u] = r.Spheres
			return usable(r.Spheres), err
		}
	}
	units, findings, err := intake.Decide(evidence, s.Path)
	if err != nil {
		return err
	}
	f.Units, f.Findings = units, append(f.Findings, findings...)
	mm := scaleOf(units)
	f.Bounds = geom.Box{Min: box.Min.Scale(mm), Max: box.Max.Scale(mm)}
	at := units.Use()
	if units.Measured != length.Unknown {
		at = units.Measured // where spheres were found, though the sheet declares another unit
	}
	for _, b := range found[at] {
		b = scaled(b, mm)
		f.Spheres = append(f.Spheres, b)
		if !b.Usable && units.Measured == units.Use() {
			f.Findings = append(f.Findings, wrongDiameter(s.Path, b, *e.Spheres))
		}
	}
	return nil
}

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
	b.Diameter, b.DiameterSigma, b.RMS, b.Distance = b.Diameter*mm, b.DiameterSigma*mm, b.RMS*mm, b.Distance*mm
	return b
}

func wrongDiameter(path string, b sphere.Sphere, want job.Spheres) job.Finding {
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
