// Package report writes what was found out about a job: as JSON for programs,
// as CSV for spreadsheets, as one HTML page and as a PDF for people.
//
// The JSON formats are trammel-check/1 and trammel-report/1, as the contract
// gives them; this version writes those and no others. Lengths are in the job's
// units, angles in degrees, matrices row-major; poses map a file's own frame,
// scaled to the job's units, to the frame of the deliverables. Nothing in the
// JSON depends on the clock or the machine, so the same inputs give the same
// bytes.
package report

import (
	"bytes"
	"encoding/json"
	"math"
	"slices"

	"trammel/pipeline"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/sphere"
)

// Vec3 is three lengths or a direction.
type Vec3 [3]float64

// Check is the document of `trammel check --json`.
type Check struct {
	Format    string        `json:"format"`
	Units     length.Unit   `json:"units"`
	Files     []File        `json:"files"`
	Network   Network       `json:"network"`
	Next      string        `json:"next,omitempty"`      // what the crew should do next, in one sentence
	Predicted []Predicted   `json:"predicted,omitempty"` // what registration alone adds at mounts and corners
	Unseen    *Unseen       `json:"unseen,omitempty"`    // gaps in what was seen of the object
	Coverage  []Coverage    `json:"coverage"`            // of the regions that the sheet names
	Findings  []job.Finding `json:"findings"`            // all of the job, those of its files included
}

// Predicted is what registration will add to the uncertainty of a place, 1 sigma.
type Predicted struct {
	Name  string `json:"name"`
	At    Vec3   `json:"at"`
	Sigma Vec3   `json:"sigma"`
}

// File is what was found out about one scan. Lengths are in the file's own frame.
type File struct {
	Path      string        `json:"path"`
	SHA256    string        `json:"sha256"`
	Bytes     int64         `json:"bytes"`
	Kind      job.Kind      `json:"kind"`
	Points    int64         `json:"points"` // in the file, directions without a return included, invalid ones not
	Triangles int64         `json:"triangles"`
	Units     UnitsOf       `json:"units"`
	Bounds    Bounds        `json:"bounds"`
	Spheres   []Sphere      `json:"spheres"`
	Rejected  []Rejected    `json:"rejected,omitempty"` // round things that are no reference spheres
	Quality   Quality       `json:"quality"`
	Mesh      *MeshFlaws    `json:"mesh,omitempty"`
	SameAs    string        `json:"same_as,omitempty"`
	Format    string        `json:"format,omitempty"`
	Name      string        `json:"name,omitempty"`  // of the scan, where its file has one
	Pose      *Pose         `json:"pose,omitempty"`  // as the file gives it: the scan's frame → the file's
	Notes     []string      `json:"notes,omitempty"` // what is odd about the file but readable
	Findings  []job.Finding `json:"findings"`
}

// Quality is what a scan's points say of themselves.
type Quality struct {
	Spacing    float64 `json:"spacing"`  // median distance to the nearest neighbour
	Noise      float64 `json:"noise"`    // 1 sigma about small planes; along the line of sight for a set-up
	Distance   float64 `json:"distance"` // of a set-up: median distance of the two
	Invalid    int64   `json:"invalid"`  // left out: not numbers, infinite, absurd
	Zero       int64   `json:"zero"`     // left out: at the scanner's own place
	Blank      int64   `json:"blank"`    // directions without a return, or points marked as not to be used
	Lone       int64   `json:"lone"`
	LoneAt     Vec3    `json:"lone_at"` // the farthest of the lone points
	Duplicates int64   `json:"duplicates"`
	Saturated  float64 `json:"saturated"` // share, 0 to 1
}

// MeshFlaws counts what is wrong with a mesh.
type MeshFlaws struct {
	Degenerate  int64 `json:"degenerate"`
	Duplicates  int64 `json:"duplicates"`
	Boundary    int64 `json:"boundary_edges"`
	NonManifold int64 `json:"nonmanifold_edges"`
	Flipped     int64 `json:"flipped_edges"`
	InsideOut   bool  `json:"inside_out"`
}

// Pose is a rotation, row-major, and a translation.
type Pose struct {
	Rotation    [9]float64 `json:"rotation"`
	Translation Vec3       `json:"translation"`
}

// UnitsOf says in which unit a file is and by whose word; an empty string stands
// for unknown.
type UnitsOf struct {
	Declared length.Unit `json:"declared"`
	Measured length.Unit `json:"measured"`
	Basis    string      `json:"basis"`
}

// Bounds is an axis-parallel box.
type Bounds struct {
	Min Vec3 `json:"min"`
	Max Vec3 `json:"max"`
}

// Sphere is a reference sphere seen in one scan.
type Sphere struct {
	Center   Vec3    `json:"center"`
	Sigma    Vec3    `json:"sigma"`
	Diameter float64 `json:"diameter"`
	RMS      float64 `json:"rms"`
	Points   int     `json:"points"`
	Cap      float64 `json:"cap"`
	Used     bool    `json:"used"`
	// Nominal is the calibrated diameter; Incidence the mean angle, in degrees, at
	// which the points used were met; Distance that of the centre from the scanner.
	Nominal   float64 `json:"nominal"`
	Incidence float64 `json:"incidence"`
	Distance  float64 `json:"distance"`
	// Form is the pattern of its surface about a sphere beyond the noise.
	Form float64 `json:"form"`
}

// Rejected is a round thing that was turned down, and why.
type Rejected struct {
	Center   Vec3    `json:"center"`
	Diameter float64 `json:"diameter"` // of a free fit, 0 where there was none
	Points   int     `json:"points"`
	Reason   string  `json:"reason"`
}

// Network is the set-ups and spheres tied together.
type Network struct {
	Stations []Station       `json:"stations"`
	Spheres  []NetworkSphere `json:"spheres"`
	Sigma0   float64         `json:"sigma0"`
	DOF      int             `json:"dof"`
}

// Station is a set-up's pose.
type Station struct {
	Path        string     `json:"path"`
	Linked      bool       `json:"linked"`
	Rotation    [9]float64 `json:"rotation"`
	Translation Vec3       `json:"translation"`
	RMS         float64    `json:"rms"`
}

// NetworkSphere is an adjusted sphere.
type NetworkSphere struct {
	ID       string   `json:"id"`
	Center   Vec3     `json:"center"`
	Sigma    Vec3     `json:"sigma"`
	Stations []string `json:"stations"`
	Status   string   `json:"status"`
}

// Report is the document datum-report.json of a package.
type Report struct {
	Check
	Job      string     `json:"job"`
	Title    string     `json:"title,omitempty"`
	Client   string     `json:"client,omitempty"`
	Revision int        `json:"revision"`
	Program  string     `json:"program"`
	Tracked  []Tracked  `json:"tracked"`
	Overlaps []Overlap  `json:"overlaps"`
	Bends    []Bend     `json:"bends"`
	Mesh     Mesh       `json:"mesh"`
	Datum    *Datum     `json:"datum"`
	Mounts   []Mount    `json:"mounts"`
	Pitches  []Pitch    `json:"pitches"` // between all mounts that were found
	Stickers []Sticker  `json:"stickers"`
	Tape     []Tape     `json:"tape"`
	Accepted []Decision `json:"accepted"`
	Released []Decision `json:"released"`
}

// Tracked is a tracked scan's pose.
type Tracked struct {
	Path        string     `json:"path"`
	Linked      bool       `json:"linked"`
	Rotation    [9]float64 `json:"rotation"`
	Translation Vec3       `json:"translation"`
	RMS         float64    `json:"rms"`
	Overlap     float64    `json:"overlap"`
	Ties        int        `json:"ties"`               // set-ups and other tracked scans whose surface holds it
	Spheres     int        `json:"spheres"`            // reference spheres that hold it besides
	Sigma       float64    `json:"sigma"`              // what registration leaves at the worst corner of its box, 1 sigma in space
	TwoWays     *TwoWays   `json:"two_ways,omitempty"` // where it is tied by spheres and by surface
}

// TwoWays is how far a scan lies by its spheres alone from where it lies by its surface
// alone, at the corner of its box where that is clearest.
type TwoWays struct {
	Apart  float64 `json:"apart"`
	Sigma  float64 `json:"sigma"` // standard uncertainty of Apart
	Sigmas float64 `json:"sigmas"`
}

// Mesh says what the reduced mesh is.
type Mesh struct {
	FusedTriangles   int       `json:"fused_triangles"`
	Triangles        int       `json:"triangles"`
	Deviation        Deviation `json:"deviation"`
	Area             float64   `json:"area"` // in the job's units, squared
	BoundaryEdges    int       `json:"boundary_edges"`
	NonManifoldEdges int       `json:"nonmanifold_edges"`
	Bounds           Bounds    `json:"bounds"`

	Levels []MeshLevel   `json:"levels"` // coarser meshes of the package
	Raw    []RawDistance `json:"raw"`    // of every scan that was placed
	Fusion Fusion        `json:"fusion"`
}

// Deviation is the two-sided distance between the fused and the reduced mesh.
type Deviation struct {
	Max float64 `json:"max"`
	RMS float64 `json:"rms"`
	At  Vec3    `json:"at"` // where the largest is
}

// Datum is the object's frame.
type Datum struct {
	Method      job.Method   `json:"method"`
	Fits        bool         `json:"fits"`
	Rotation    [9]float64   `json:"rotation"` // network frame → datum frame
	Translation Vec3         `json:"translation"`
	RMS         float64      `json:"rms"`
	Points      []DatumPoint `json:"points"`
	// Elements hold the frame where it rests on the object's own surface; places and
	// directions are in the datum's frame.
	Elements []DatumElement `json:"elements,omitempty"`
	// SigmaTurn is the standard uncertainty of the frame's turns about X, Y and Z in
	// degrees, Sigma that of the place of its elements' middle.
	SigmaTurn Vec3 `json:"sigma_turn"`
	Sigma     Vec3 `json:"sigma"`
	// Wheels hold Z where the sheet says so.
	Wheels    []DatumWheel `json:"wheels,omitempty"`
	Asymmetry *Asymmetry   `json:"asymmetry,omitempty"` // of a datum by mirror
}

// DatumWheel is a wheel that the object stands on.
type DatumWheel struct {
	At     Vec3    `json:"at"`    // the lowest point of its tread's largest circle
	Sigma  float64 `json:"sigma"` // standard uncertainty of At across the plane
	Off    float64 `json:"off"`   // of At from the plane through all wheels
	Radius float64 `json:"radius"`
	RMS    float64 `json:"rms"` // of the points about the tread
	Points int     `json:"points"`
}

// Asymmetry is how far an object is from its own mirror image, over the pieces of surface
// that have one.
type Asymmetry struct {
	Places  int     `json:"places"`
	Median  float64 `json:"median"` // of the absolute distances
	P95     float64 `json:"p95"`    // 95 % of them are below
	Largest float64 `json:"largest"`
}

// DatumElement is a plane or a spot that holds the datum.
type DatumElement struct {
	Name   string  `json:"name"`
	At     Vec3    `json:"at"`
	Normal Vec3    `json:"normal"` // zero for a spot
	RMS    float64 `json:"rms"`
	Points int     `json:"points"`
}

// DatumPoint is a control point.
type DatumPoint struct {
	Name     string `json:"name"`
	Sphere   string `json:"sphere"`
	Residual Vec3   `json:"residual"`
	Used     bool   `json:"used"`
}

// Decision is what a person decided: a finding accepted, or a package released.
type Decision struct {
	Subject string `json:"subject"` // CODE:SUBJECT of a finding, or a package
	By      string `json:"by"`
	Why     string `json:"why,omitempty"`
}

// scale converts millimetres into the job's units.
type scale float64

func scaleOf(u length.Unit) scale {
	if mm := u.MM(); mm > 0 {
		return scale(1 / mm)
	}
	return 1
}

func (s scale) length(mm float64) float64 { return tidy(mm * float64(s)) }

func (s scale) vec(v geom.Vec) Vec3 { return Vec3{s.length(v.X), s.length(v.Y), s.length(v.Z)} }

func (s scale) box(b geom.Box) Bounds { return Bounds{s.vec(b.Min), s.vec(b.Max)} }

// tidy keeps what JSON cannot hold out of the document, and minus zero.
func tidy(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x + 0
}

func plain(v geom.Vec) Vec3 { return Vec3{tidy(v.X), tidy(v.Y), tidy(v.Z)} }

const checkFormat = "trammel-check/1"

// NewCheck makes the document of a check.
func NewCheck(c *pipeline.Checked) Check { return newCheck(c, c.ToFrame, checkFormat) }

func newCheck(c *pipeline.Checked, toFrame geom.Pose, format string) Check {
	s := scaleOf(c.Units)
	d := Check{Format: format, Units: c.Units, Files: []File{}, Findings: list(c.Findings), Network: networkOf(c, toFrame, s)}
	for i := range c.Files {
		d.Files = append(d.Files, file(&c.Files[i], s))
		if format != checkFormat {
			d.Files[i].Rejected = nil // for the crew, not for the client
		}
	}
	for _, p := range c.Predicted {
		d.Predicted = append(d.Predicted, Predicted{p.Name, s.vec(p.At), s.vec(p.Sigma)})
	}
	if format == checkFormat {
		d.Next = c.Next()
	}
	d.Unseen, d.Coverage = unseenOf(c, s), coverages(c, s)
	return d
}

func file(f *pipeline.File, s scale) File {
	out := File{Path: f.Path, SHA256: f.SHA256, Bytes: f.Bytes, Kind: f.Kind, Points: f.Points + f.Blank, Triangles: f.Triangles,
		Units: UnitsOf{f.Units.Declared, f.Units.Measured, f.Units.Basis}, Bounds: s.box(f.Bounds), Spheres: []Sphere{}, SameAs: f.SameAs, Findings: list(f.Findings),
		Quality: qualityOf(f, s), Format: f.Format, Name: f.Name, Notes: f.Notes}
	if m := f.Flaws; m != nil {
		out.Mesh = &MeshFlaws{m.Degenerate, m.Doubled, m.Boundary, m.NonManifold, m.Flipped, m.InsideOut}
	}
	if f.Pose != nil {
		out.Pose = &Pose{[9]float64(f.Pose.R), s.vec(f.Pose.T)}
	}
	for _, b := range f.Spheres {
		out.Spheres = append(out.Spheres, sphereOf(b, s))
	}
	for _, r := range f.Rejected {
		out.Rejected = append(out.Rejected, Rejected{s.vec(r.Center), s.length(r.Diameter), r.Points, r.Reason})
	}
	return out
}

func qualityOf(f *pipeline.File, s scale) Quality {
	v := f.Survey
	return Quality{Spacing: s.length(v.Spacing), Noise: s.length(v.Noise), Distance: s.length(v.Distance), Invalid: f.Left.Absurd, Zero: f.Left.Zero, Blank: f.Blank,
		Lone: v.Lone, LoneAt: s.vec(v.LoneAt), Duplicates: v.Doubled, Saturated: tidy(v.Saturated)}
}

func sphereOf(b sphere.Sphere, s scale) Sphere {
	return Sphere{Center: s.vec(b.Center), Sigma: s.vec(b.Cov.Sigmas()), Diameter: s.length(b.Diameter), RMS: s.length(b.RMS),
		Points: b.Points, Cap: tidy(b.CapDeg), Used: b.Usable, Nominal: s.length(b.Nominal), Incidence: tidy(b.IncidenceDeg), Distance: s.length(b.Distance), Form: s.length(b.Form)}
}

func networkOf(c *pipeline.Checked, toFrame geom.Pose, s scale) Network {
	n := Network{Stations: []Station{}, Spheres: []NetworkSphere{}}
	for _, st := range c.Stations {
		pose := toFrame.After(st.ToNetwork)
		n.Stations = append(n.Stations, Station{Path: c.Files[st.File].Path, Linked: st.Linked, Rotation: [9]float64(pose.R), Translation: s.vec(pose.T), RMS: s.length(st.RMS)})
	}
	if c.Network == nil {
		return n
	}
	n.Sigma0, n.DOF = tidy(c.Network.Sigma0), c.Network.DOF
	for _, b := range c.Network.Spheres {
		out := NetworkSphere{ID: b.ID, Center: s.vec(toFrame.Apply(b.Center)), Sigma: s.vec(toFrame.R.Congruent(b.Cov).Sigmas()), Stations: []string{}, Status: string(b.Status)}
		for _, k := range b.Stations {
			out.Stations = append(out.Stations, c.Network.Stations[k].Name)
		}
		n.Spheres = append(n.Spheres, out)
	}
	return n
}

func list(f []job.Finding) []job.Finding {
	if f == nil {
		return []job.Finding{}
	}
	return f
}

// Context is what a report says beyond the computation.
type Context struct {
	Revision int
	Program  string // version of the program
	Accepted []Decision
	Released []Decision
}

// NewReport makes the document of a package.
func NewReport(b *pipeline.Built, x Context) Report {
	s := scaleOf(b.Units)
	r := Report{Check: newCheck(&b.Checked, b.ToFrame, "trammel-report/1"), Job: b.Job.Job, Title: b.Job.Title, Client: b.Job.Client,
		Revision: x.Revision, Program: x.Program, Tracked: []Tracked{}, Overlaps: []Overlap{}, Bends: []Bend{}, Mounts: []Mount{}, Pitches: []Pitch{}, Stickers: []Sticker{}, Tape: []Tape{},
		Accepted: append([]Decision{}, x.Accepted...), Released: append([]Decision{}, x.Released...)}
	for _, t := range b.Tracked {
		pose := b.ToFrame.After(t.ToNetwork)
		r.Tracked = append(r.Tracked, Tracked{Path: b.Files[t.File].Path, Linked: t.Linked, Rotation: [9]float64(pose.R), Translation: s.vec(pose.T),
			RMS: s.length(t.Fit.RMS), Overlap: tidy(t.Fit.Overlap), Ties: t.Ties, Spheres: t.Spheres, Sigma: s.length(b.WorstSigma(t))})
		if w := t.TwoWays; w != nil {
			r.Tracked[len(r.Tracked)-1].TwoWays = &TwoWays{s.length(w.Apart), s.length(w.Sigma), tidy(w.Sigmas())}
		}
	}
	for _, o := range b.Overlaps {
		r.Overlaps = append(r.Overlaps, overlapOf(b, o, s))
	}
	for _, x := range b.Bends {
		r.Bends = append(r.Bends, bendOf(x, s))
	}
	m := b.Mesh
	r.Mesh = Mesh{FusedTriangles: m.FusedTriangles, Triangles: m.Triangles, Deviation: Deviation{s.length(m.DeviationMax), s.length(m.DeviationRMS), s.vec(m.DeviationAt)},
		Area: tidy(m.Area * float64(s) * float64(s)), BoundaryEdges: m.BoundaryEdges, NonManifoldEdges: m.NonManifoldEdges, Bounds: s.box(m.Bounds)}
	r.Mesh.surfaceOf(b, s)
	r.Datum = datumOf(b, s)
	for _, mt := range b.Mounts {
		r.Mounts = append(r.Mounts, mountOf(mt, s, b.Units))
	}
	for _, p := range b.Patches {
		if i := slices.IndexFunc(r.Mounts, func(m Mount) bool { return m.Name == p.Mount }); i >= 0 {
			r.Mounts[i].Patch = PatchFolder + p.File
		}
	}
	for _, p := range b.Pitches {
		r.Pitches = append(r.Pitches, pitchOf(p, s))
	}
	for i := range b.Stickers {
		r.addSticker(b, &b.Stickers[i], s)
	}
	return r
}

func datumOf(b *pipeline.Built, s scale) *Datum {
	if b.Datum == nil {
		return nil
	}
	pose := b.Datum.NetworkToDatum
	d := &Datum{Method: b.Job.Datum.Method, Fits: b.Datum.OK, Rotation: [9]float64(pose.R), Translation: s.vec(pose.T), RMS: s.length(b.Datum.RMS), Points: []DatumPoint{}}
	const degrees = 180 / math.Pi
	turn, shift := b.Datum.Cov.Block(0, 0).Sigmas(), b.Datum.Cov.Block(3, 3).Sigmas()
	d.SigmaTurn, d.Sigma = plain(turn.Scale(degrees)), s.vec(shift)
	for _, e := range b.Datum.Elements {
		d.Elements = append(d.Elements, DatumElement{e.Name, s.vec(pose.Apply(e.Point)), plain(pose.Turn(e.Normal)), s.length(e.RMS), e.Points})
	}
	for _, p := range b.Datum.Points {
		d.Points = append(d.Points, DatumPoint{p.Name, p.Sphere, s.vec(p.Residual), p.Used})
	}
	for _, w := range b.Datum.Wheels {
		e := b.Datum.Elements[0]
		d.Wheels = append(d.Wheels, DatumWheel{s.vec(pose.Apply(w.Contact)), s.length(w.Sigma), s.length(w.Contact.Sub(e.Point).Dot(e.Normal)), s.length(w.Radius), s.length(w.RMS), w.Points})
	}
	d.Asymmetry = asymmetryOf(&b.Checked, s)
	return d
}

// JSON encodes a document as it stands in a package: indented by one space,
// ended by a newline.
func JSON(doc any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	err := e.Encode(doc)
	return b.Bytes(), err
}
