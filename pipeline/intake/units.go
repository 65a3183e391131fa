// Package intake judges a scan at the door: in which units it is, whether its
// points can be real, and whether it is there twice.
//
// Units come from the file's own word, then the job sheet, then evidence:
// spheres of known diameter, or the object's size. Evidence that contradicts a
// declaration puts the job on hold; nothing is rescaled silently. Validity counts
// and locates what is wrong; the decision to leave points out is the reader's,
// who says so. The package opens no files: callers hand in what was read.
package intake

import (
	"fmt"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// Units is what is known about the unit of a file.
type Units struct {
	Declared length.Unit // by the file, else by the job sheet, else Unknown
	Measured length.Unit // what evidence says; Unknown without evidence
	Basis    string      // "spheres", "size", "file", "sheet" or "none"
}

// Use returns the unit to read the file in, or Unknown: what is declared, since
// only a person changes that, else what was measured.
func (u Units) Use() length.Unit {
	if u.Declared != length.Unknown {
		return u.Declared
	}
	return u.Measured
}

// Evidence is what Decide may ask.
type Evidence struct {
	File, Sheet length.Unit // what the file and the job sheet declare
	// Spheres returns how many spheres of the known diameter are found when the
	// file is read in a unit; nil when no diameter is known.
	Spheres func(u length.Unit) (int, error)
	Extent  float64 // diagonal of the scan, in the file's numbers
	Object  float64 // diagonal of the object in mm; 0 when the sheet is silent
	Around  bool    // the scan shows the object's surroundings as well, as set-ups do
}

// Decide settles the unit of the file called subject. It asks for spheres in the
// declared unit first and in others only when none is found there.
func Decide(e Evidence, subject string) (Units, []job.Finding, error) {
	u := Units{Declared: e.File, Basis: "file"}
	if u.Declared == length.Unknown {
		u.Declared, u.Basis = e.Sheet, "sheet"
	}
	if u.Declared == length.Unknown {
		u.Basis = "none"
	}
	if e.Spheres != nil {
		measured, err := bySpheres(e.Spheres, u.Declared)
		if err != nil {
			return u, nil, err
		}
		if measured != length.Unknown {
			u.Measured, u.Basis = measured, "spheres"
		}
	}
	if u.Measured == length.Unknown && e.Object > 0 && (u.Declared == length.Unknown || e.impossible(u.Declared)) {
		if m := e.bySize(); m != length.Unknown {
			u.Measured, u.Basis = m, "size"
		}
	}
	return u, findings(u, e, subject), nil
}

// leastElsewhere is how many spheres another unit than the declared one must
// show before it counts as evidence: one may be a lamp of the right size.
const leastElsewhere = 2

func bySpheres(count func(length.Unit) (int, error), declared length.Unit) (length.Unit, error) {
	least := 1
	if declared != length.Unknown {
		n, err := count(declared)
		if err != nil || n > 0 {
			return declared, err
		}
		least = leastElsewhere
	}
	best, most, twice := length.Unknown, 0, false
	for _, u := range length.Units() {
		if u == declared {
			continue
		}
		n, err := count(u)
		if err != nil {
			return length.Unknown, err
		}
		switch {
		case n > most:
			best, most, twice = u, n, false
		case n == most:
			twice = true
		}
	}
	if most < least || twice {
		return length.Unknown, nil
	}
	return best, nil
}

// A scan of an object alone is hardly smaller than a third of it, or larger than
// half as much again; one that shows its surroundings is at least half as large
// and may be a hall of twenty times its size. One unit alone in that window decides.
const (
	leastOfObject   = 0.3
	mostOfObject    = 1.5
	leastWithAround = 0.5
	mostWithAround  = 20
)

// A declared unit is contradicted by size alone where the scan would be smaller
// than a bolt head on the object, or a multiple of what the window allows: a
// close-up is small too, and nothing is said against it.
const (
	tooSmall      = 0.002
	tooLargeAfter = 4
)

// window returns the smallest and the largest believable size of the scan, in
// sizes of the object.
func (e Evidence) window() (least, most float64) {
	if e.Around {
		return leastWithAround, mostWithAround
	}
	return leastOfObject, mostOfObject
}

func (e Evidence) bySize() length.Unit {
	found := length.Unknown
	least, most := e.window()
	for _, u := range length.Units() {
		if share := e.Extent * u.MM() / e.Object; share < least || share > most {
			continue
		}
		if found != length.Unknown {
			return length.Unknown
		}
		found = u
	}
	return found
}

// impossible reports whether the scan cannot be in the unit, given the object.
func (e Evidence) impossible(u length.Unit) bool {
	_, most := e.window()
	share := e.Extent * u.MM() / e.Object
	return share < tooSmall || share > tooLargeAfter*most
}

func findings(u Units, e Evidence, subject string) []job.Finding {
	hold := func(code job.Code, text string) []job.Finding {
		return []job.Finding{{Code: code, Severity: job.Hold, Subject: subject, Text: text}}
	}
	name := job.Printable(subject)
	if u.Use() == length.Unknown {
		return hold(job.UnitsUnknown, fmt.Sprintf(
			"Nothing says in which unit %s is: the file and the job sheet are silent, and neither spheres nor the object's size decide it; its numbers reach over %.4g. To do: write units: under the instrument in the job sheet, or give --units to check a bare file.", name, e.Extent))
	}
	if u.Basis == "spheres" && u.Declared != length.Unknown && u.Measured != u.Declared {
		return hold(job.UnitsMismatch, fmt.Sprintf(
			"%s is declared to be in %s, but its spheres have the calibrated diameter only when it is read in %s, a factor of %.6g. It was not rescaled. To do: correct units: under the instrument in the job sheet to %s, or export the scan again in %s.",
			name, u.Declared, u.Measured, u.Measured.MM()/u.Declared.MM(), u.Measured, u.Declared))
	}
	if u.Basis == "size" && u.Declared != length.Unknown && u.Measured != u.Declared {
		return hold(job.UnitsMismatch, fmt.Sprintf(
			"%s is declared to be in %s, which makes it %.3g times as large as the object; read in %s, a factor of %.6g, it is %.2g times as large. It was not rescaled. To do: correct units: under the instrument in the job sheet to %s, or export the scan again in %s; if the scan is of something else, take it out.",
			name, u.Declared, e.Extent*u.Declared.MM()/e.Object, u.Measured, u.Measured.MM()/u.Declared.MM(), e.Extent*u.Measured.MM()/e.Object, u.Measured, u.Declared))
	}
	if e.File != length.Unknown && e.Sheet != length.Unknown && e.File != e.Sheet && u.Basis != "spheres" {
		return hold(job.UnitsMismatch, fmt.Sprintf(
			"%s says that it is in %s, but the job sheet says %s, a factor of %.6g, and no spheres decide it. It was read in %s. To do: correct units: under the instrument in the job sheet, or take it out.",
			name, e.File, e.Sheet, e.Sheet.MM()/e.File.MM(), e.File))
	}
	return nil
}

// Extent returns the diagonal of the box that holds the middle 98 of a hundred
// points along each axis: a few strays do not make an object larger.
func Extent(c *scan.Cloud) float64 {
	return geom.Vec{X: middleWidth(c.X), Y: middleWidth(c.Y), Z: middleWidth(c.Z)}.Norm()
}

func middleWidth(v []float32) float64 {
	var s []float32
	for i, step := 0, max(1, len(v)/middleSample); i < len(v); i += step {
		s = append(s, v[i])
	}
	if len(s) == 0 {
		return 0
	}
	slices.Sort(s)
	n := len(s) - 1
	return float64(s[n-n/100]) - float64(s[n/100])
}

// Diagonal returns the length of a box's diagonal, 0 for an empty one.
func Diagonal(b geom.Box) float64 {
	if b.IsEmpty() {
		return 0
	}
	return b.Size().Norm()
}
