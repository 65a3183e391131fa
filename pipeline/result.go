package pipeline

import (
	"trammel/pipeline/coverage"
	"trammel/pipeline/datum"
	"trammel/pipeline/fit"
	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/intake"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/mount"
	"trammel/pipeline/network"
	"trammel/pipeline/posegraph"
	"trammel/pipeline/scan"
	"trammel/pipeline/sphere"
	"trammel/pipeline/stage"
	"trammel/pipeline/surface"
)

// File is what was found out about one scan of a drop folder: a file, or one of
// the scans that a file holds. Lengths are millimetres, in the scan's own frame.
type File struct {
	Path      string // relative to the job folder; #2 behind it is the second scan of the file
	SHA256    string
	Bytes     int64
	Kind      job.Kind
	Format    string
	Points    int64
	Triangles int64
	Units     intake.Units
	Bounds    geom.Box
	Spheres   []sphere.Sphere
	Rejected  []sphere.Candidate // round things that are no reference spheres, and why
	SameAs    string             // the file with the same content that is used instead, if any
	Findings  []job.Finding

	Name   string     // of the scan, where its file has one
	Notes  []string   // what is odd about the file but readable
	Pose   *geom.Pose // that the file gives: the scan's frame → the frame that the file's scans share
	Blank  int64      // directions without a return
	Left   intake.Left
	Survey intake.Survey
	Flaws  *intake.MeshSurvey // of a mesh
	Sketch []uint64           // identifies the points whatever their order

	Readable   bool
	Instrument int    // index into the sheet's instruments; -1 for a bare file
	Raw        string // path of the file relative to the job folder
	Scan       int    // which of the file's scans, counted from 0
	Scans      int    // how many the file holds
	Disk       string // where to open the file
}

// Checked is a job after its scans were inspected and tied.
type Checked struct {
	Dir      string      // the job folder; empty for bare files
	Job      *job.Sheet  // nil for bare files
	Units    length.Unit // of the deliverables
	Files    []File
	Network  *network.Result // nil where no set-up is tied by spheres
	Stations []Station       // every set-up that could be placed or should have been
	Datum    *datum.Result   // nil without a datum in the sheet
	Uneven   []datum.Uneven  // how far the object stands out beyond its own mirror image, frame of the deliverables; datum by mirror
	ToFrame  geom.Pose       // network → the frame of the deliverables
	Findings []job.Finding   // all of the job, those of its files included

	Predicted []Predicted       // how well registration places the object's corners and mounts
	Unseen    *Unseen           // gaps in what was seen; nil where nothing says what is to be seen
	Coverage  []coverage.Result // of the required regions
	Whole     *coverage.Result  // of the object; nil like Unseen

	observed    []network.Station // what the network was solved from
	surfaceTies []surfaceTie      // of set-ups, that were found sound
	capturing   bool              // the job still counts as being captured
}

// Hold reports whether a finding puts the job on hold.
func (c *Checked) Hold() bool { return job.Holds(c.Findings) }

// Station is one set-up and where it stood.
type Station struct {
	File      int // index into Checked.Files
	ToNetwork geom.Pose
	RMS       float64 // of its spheres about the adjusted centres, mm
	Linked    bool
	Solved    int         // index into Network.Stations; -1 for a set-up that spheres did not place
	BySurface *SurfaceTie // nil for a set-up that its surface did not place
}

// SurfaceTie says how well a set-up is held that its surface placed.
type SurfaceTie struct {
	Cov    fit.Mat6 // of (rotation vector in rad, translation in mm) about Center, network axes
	Center geom.Vec // mm, network frame
}

// At returns the covariance that the tie leaves at a place of the network's frame.
func (t *SurfaceTie) At(p geom.Vec) geom.Mat { return t.Cov.At(p.Sub(t.Center)) }

// surfaceTie is a tie of two set-ups by their surfaces.
type surfaceTie struct {
	files [2]int // of the tie's A and B, indices into Checked.Files
	posegraph.Tie
	fit surface.Result
}

// Tracked is a tracked scan tied to the network.
type Tracked struct {
	File      int // index into Checked.Files
	ToNetwork geom.Pose
	Fit       surface.Result // of its rough place: what of it meets the others; RMS is that of its ties
	Hold      SurfaceTie     // how well it is held
	Ties      int            // pairs of surfaces that hold it
	Spheres   int            // reference spheres that hold it besides
	TwoWays   *TwoWays       // nil where it is not tied by both
	Linked    bool
}

// TwoWays says how far a tracked scan lies by its spheres alone from where it lies by its
// surface alone.
type TwoWays struct {
	Spheres int      // shown
	Apart   float64  // at the corner of its box where the two differ most clearly, mm
	By      geom.Vec // the same as a vector, from where the surface puts it to where the spheres do, network axes
	Sigma   float64  // standard uncertainty of Apart, mm
}

// Sigmas is how clearly the two differ.
func (t *TwoWays) Sigmas() float64 { return t.Apart / t.Sigma }

// Overlap is what two registered scans say about each other.
type Overlap struct {
	A, B int // indices into Checked.Files
	surface.Distances
	Motion *surface.Motion // of B that would bring the two closest; nil where the overlap is too small to say
	Places []surface.Patch // some of the pieces of surface that both saw, frame of the deliverables

	Tie       float64 // what registration leaves in the distance there, 1 sigma rms, mm
	Limit     float64 // largest median allowed, mm
	Allowed   float64 // largest Motion.Lowers allowed, mm
	Suggested bool    // Motion lowers the distances by more than that, and is not refuted
	Refuted   bool    // other overlaps of both scans show no such motion
}

// Bent is how the object's shape differed between an instrument and the set-ups.
type Bent struct {
	Instrument string
	surface.Bend
}

// Built is a job after everything was computed. Mesh, mounts and coverage are in
// the datum's frame where there is a datum, else in the network's.
type Built struct {
	Checked
	Tracked   []Tracked
	Overlaps  []Overlap
	Bends     []Bent
	Stickers  []Sticker
	CloseUp   *CloseUp // of one of them; nil without any
	Seam      *Seam    // where the step between preferred scans and others is the largest; nil without any
	Mesh      MeshFacts
	Surface   *scan.Mesh // the reduced mesh; its deviation is in Departure
	Levels    []Level    // coarser meshes, as many as the sheet asks for
	Closed    []int32    // triangles of Surface that close a hole, ascending: surface that nobody saw
	Departure []float32  // signed distance of each vertex of Surface from the fused mesh, mm
	FromRaw   []float32  // mean signed distance of the scans' points from Surface around each of its vertices, mm; NaN without any
	Mounts    []mount.Result
	Pitches   []mount.Pitch     // between all mounts that were found
	Patches   []Patch           // the raw surface around them
	MeshKey   stage.Key         // identifies the surface and all that it depends on
	SHA512    map[string]string // of every raw file, by File.Raw

	graph  *posegraph.Result // of set-ups and tracked instruments; nil where nothing is tracked
	bodies map[int]int       // the body of each file in it

	seamPiece *scan.Mesh // see SeamPiece
	seamShare []float32
}

// MeshFacts says what the mesh is.
type MeshFacts struct {
	FusedTriangles   int
	Triangles        int
	DeviationMax     float64 // two-sided, fused ↔ reduced, mm
	DeviationRMS     float64
	DeviationAt      geom.Vec
	Area             float64 // mm²
	BoundaryEdges    int
	NonManifoldEdges int
	Bounds           geom.Box
	Raw              []RawDistance // of every scan that was placed
	FusedFiles       []int         // the file of each view that Fusion speaks of
	Fusion           fuse.Stats    // points used and trimmed, pieces left out, double walls
}
