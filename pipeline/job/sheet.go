// Package job holds what a person says about a job and what the program says
// back: the job sheet, the folder it lies in, and the findings.
//
// The sheet is YAML, decoded strictly: unknown keys, lengths without a unit and
// impossible values are errors that name file, line, key, what is wrong and what
// would be right, all of them at once. Lengths come out in millimetres. The
// package reads the job folder; it never writes there.
package job

import (
	"strings"
	"time"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
)

// Sheet is a job sheet. All lengths are millimetres.
type Sheet struct {
	Job         string      // names the packages
	Title       string      // free text
	Client      string      // free text
	Units       length.Unit // of every number in the deliverables
	Captured    bool        // the capture is over, whatever the clock says
	Instruments []Instrument
	Spheres     []Spheres  // the kinds of reference spheres; empty when none are used
	Targets     []float64  // diameters of the stickers that were put on the skin; empty when the sheet is silent
	Object      *geom.Box  // what to keep; nil keeps everything
	Mesh        Mesh       // how to fuse and reduce
	Datum       *Datum     // nil leaves everything in the network's frame
	Mounts      []Mount    // what to measure
	Coverage    []Region   // what must have been seen
	Package     PackageWay // how to hand over
}

// Kind tells how an instrument's files relate to each other.
type Kind string

// The kinds of instruments.
const (
	Station Kind = "station" // each file is one set-up in its own frame, scanner at the file's origin
	Tracked Kind = "tracked" // all files share one frame
)

// Register tells how the files of an instrument are tied to the rest.
type Register string

// The ways to register.
const (
	BySpheres Register = "spheres" // by reference spheres seen
	BySurface Register = "surface" // by the shape of the object
	Given     Register = "given"   // poses stand in the files or in poses.csv
)

// Instrument is one instrument of the capture and the folder its files go to.
type Instrument struct {
	Name     string
	Kind     Kind
	Drop     string // slash-separated, relative to the job folder
	Register Register
	Units    length.Unit // what its unitless files are in; Unknown when the sheet is silent
	Expect   int         // how many files make it complete; 0 when the sheet is silent
	Noise    float64     // range noise, one sigma; 0 when the sheet is silent
	Prefer   bool        // its surface is taken where several instruments saw one
}

// Spheres describes one kind of reference spheres. Several kinds tell each other
// apart by their diameters.
type Spheres struct {
	Diameter  float64 // calibrated
	Tolerance float64 // accepted error of a fitted diameter
	Expect    int     // how many of the kind stand around the object; 0 when the sheet is silent
}

// Format is a further form of the mesh in a package; PLY and STL are always there.
type Format string

// The further forms.
const (
	GLB     Format = "glb"
	ThreeMF Format = "3mf"
)

// Colour says what the colours of a mesh's vertices show.
type Colour string

// The colours.
const (
	NoColour        Colour = "none"
	DeviationColour Colour = "deviation" // from the fused mesh, blue below, red above
	ScansColour     Colour = "scans"     // of the scans' points from the mesh, blue below, red above
)

// Mesh says how fine the surface is fused and how far it is reduced.
type Mesh struct {
	Voxel     float64  // fusion cell
	Triangles int      // budget of the reduced mesh; 0 for none
	Deviation float64  // largest allowed departure of the reduced mesh from the fused one
	Close     float64  // holes up to this size are closed; 0 closes none
	Levels    []int    // triangles of coarser meshes besides, falling
	Formats   []Format // besides PLY and STL
	Colour    Colour   // of the vertices, in formats that keep one
	Fine      []Fine   // where cells are smaller
	Feather   float64  // width of the passage from preferred scans to others; 0 for the reach of their points
	Adapt     bool     // cells of half the size around mounts and where a tracked scan resolved them
}

// Fine asks for smaller fusion cells in a box or around a mount.
type Fine struct {
	Box   *geom.Box // in the datum frame; nil where Mount is given
	Mount string    // its name; the box reaches as far as the mount is looked for
	Voxel float64   // the largest cell there
}

// finestShare is how many times smaller a finer cell may be.
const finestShare = 32

// Method names a way to set up the datum.
type Method string

// The datum methods.
const (
	Control Method = "control" // known coordinates of reference spheres
	Planes  Method = "planes"  // 3-2-1
	Mirror  Method = "mirror"  // floor or wheels, mirror plane and an origin point
)

// Datum says how the object's own axes are found.
type Datum struct {
	Method Method
	Points []ControlPoint // control
	// Primary, Secondary and Origin are the elements of planes; mirror has an Origin,
	// and a Floor where the sheet says which.
	Primary, Secondary, Origin, Floor *Pick
	Toward                            *geom.Vec // mirror: a place that X points towards from the middle
	Up                                Up        // mirror: what Z is square on
	Wheels                            []Wheel   // where Up is UpWheels
}

// Up names what holds Z.
type Up string

// What Z may be square on.
const (
	UpFloor  Up = "floor"
	UpWheels Up = "wheels" // the plane that the wheels stand on
)

// Wheel is where a wheel is, in the network's frame.
type Wheel struct {
	Seed   geom.Vec
	Radius float64 // that holds its tread
}

// Pick is an element of the object, found around a seed. Seeds are in the
// network's frame, since the datum's is not known yet.
type Pick struct {
	Seed   geom.Vec
	Radius float64
	Axis   Axis      // that the element's direction is along
	To     *geom.Vec // of a line: the seed of its second spot
	Expect Feature   // what it is; Plane where the sheet is silent, for an origin or a line's spots Hole
}

// Axis is a direction of the datum's frame, such as "Z" or "-Y".
type Axis string

// Axes returns the six directions.
func Axes() []Axis { return []Axis{"X", "Y", "Z", "-X", "-Y", "-Z"} }

// Index returns 0 for X, 1 for Y and 2 for Z.
func (a Axis) Index() int {
	if a == "" {
		return 0
	}
	return int(a[len(a)-1] - 'X')
}

// Sign returns -1 for a direction against its axis, else 1.
func (a Axis) Sign() float64 {
	if strings.HasPrefix(string(a), "-") {
		return -1
	}
	return 1
}

// ControlPoint is a reference sphere with known coordinates in the datum frame.
type ControlPoint struct {
	Name string
	At   geom.Vec
}

// Region is a part of space whose surface must have been seen.
type Region struct {
	Name    string
	Box     geom.Box // in the datum frame
	Spacing float64  // largest allowed point spacing
	Share   float64  // share of the surface that must be seen, 0 to 1
}

// PackageWay says how the package is made.
type PackageWay struct {
	Format string // "zip" or "tar.zst"
	Raw    bool   // whether the raw scans go along
}

// Defaults for what a sheet may leave out.
const (
	DefaultVoxel     = 3.0 // mm; resolves a bolt hole of 10 mm with three cells
	DefaultDeviation = 0.5 // mm; the range noise of a tripod scanner (common practice, no source)
	DefaultTolerance = 1.0 // mm; of a sphere's fitted diameter
	DefaultShare     = 0.95
)

// StillCaptured reports whether a job counts as still being captured: its newest
// scan is younger than quiet, an expected number is not reached, and the sheet
// does not say that the capture is over. arrived returns how many scans of an
// instrument are there.
func (s *Sheet) StillCaptured(newest, now time.Time, quiet time.Duration, arrived func(instrument int) int) bool {
	if s.Captured || newest.IsZero() || now.Sub(newest) >= quiet {
		return false
	}
	for i, ins := range s.Instruments {
		if n := arrived(i); n < max(1, ins.Expect) {
			return true
		}
	}
	return false
}
