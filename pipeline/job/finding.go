package job

import (
	"cmp"
	"slices"
)

// Severity says what a finding does to the job.
type Severity string

// The severities, from information to a stop.
const (
	Note Severity = "note" // worth knowing; nothing to do
	Warn Severity = "warn" // a result is affected; the job goes on
	Hold Severity = "hold" // a person must act or accept before a release
)

// Code names a kind of finding. The codes are part of the program's interface.
type Code string

// The finding codes, each with the one sentence that says when it is given.
const (
	FileUnreadable   Code = "file-unreadable"   // the file is not a scan, or is damaged
	FileTruncated    Code = "file-truncated"    // the file is shorter than its header promises
	FileDuplicate    Code = "file-duplicate"    // the same content as another file of the job; it is used once
	PointsInvalid    Code = "points-invalid"    // NaN, infinite or absurd coordinates were left out
	PointsDoubled    Code = "points-doubled"    // many points stand exactly where another one does
	PointsStray      Code = "points-stray"      // many points have nothing around them
	ScanNoisy        Code = "scan-noisy"        // the points scatter more than the job sheet says of the instrument
	Saturated        Code = "saturated"         // many returns are at the instrument's largest intensity
	MeshFlawed       Code = "mesh-flawed"       // triangles without area, twice there or facing the wrong way, non-manifold edges
	UnitsUnknown     Code = "units-unknown"     // nothing says what the file is in
	UnitsMismatch    Code = "units-mismatch"    // declared units disagree with the spheres of known diameter or with the object's size
	SpheresFew       Code = "spheres-few"       // a station shows fewer than three usable spheres
	SphereDiameter   Code = "sphere-diameter"   // a fitted diameter is outside the tolerance; the sphere is not used
	SphereMoved      Code = "sphere-moved"      // a sphere stands elsewhere for some stations than for the others
	StationScale     Code = "station-scale"     // a station's distances are too long or too short by one factor
	StationDisturbed Code = "station-disturbed" // a set-up was moved while it scanned: its spheres stand in two groups
	StationRepeated  Code = "station-repeated"  // two set-ups stand in one place: the second adds no new view
	StationTilted    Code = "station-tilted"    // a set-up that should stand levelled leans against the others
	LayoutWeak       Code = "layout-weak"       // the spheres seen leave a rotation poorly held
	LayoutAmbiguous  Code = "layout-ambiguous"  // a station fits the others in more than one way
	StationUnlinked  Code = "station-unlinked"  // a station cannot be tied to the rest
	OverlapBias      Code = "overlap-bias"      // registered scans disagree systematically where they overlap
	OverlapNone      Code = "overlap-none"      // a scan with a given pose shares no surface with any other: nothing checks its place
	FarFromOrigin    Code = "far-from-origin"   // coordinates are too large for STL, whose are less by whole metres
	NotRigid         Code = "not-rigid"         // the object had another shape for one instrument than for the others
	SeenThrough      Code = "seen-through"      // one scan shows what others looked through; it is left out of the mesh
	ScansMissing     Code = "scans-missing"     // fewer files than expected
	RegionUncovered  Code = "region-uncovered"  // less of a required region was seen than its share
	MeshDeviation    Code = "mesh-deviation"    // the budget cannot be met within the allowed deviation
	DatumPoor        Code = "datum-poor"        // the datum does not fit its points or planes
	Stickers         Code = "stickers"          // targets or tape were found on the skin
	MountMissing     Code = "mount-missing"     // nothing of the expected kind was found at a mount
	MountUncertain   Code = "mount-uncertain"   // a mount was found, but its uncertainty is too large
	MountPosition    Code = "mount-position"    // a mount was found outside its tolerance zone, beyond its uncertainty
)

// Finding is something that a person should know about a job: what it is, what
// was measured against which limit, and what to do about it at the job site.
// Findings are results, not errors.
type Finding struct {
	Code     Code     `json:"code"`
	Severity Severity `json:"severity"`
	Text     string   `json:"text"`               // one or more full sentences
	Subject  string   `json:"subject"`            // a file relative to the job folder, a sphere id, a region or a mount
	Stations []string `json:"stations,omitempty"` // the files concerned, where the subject is not a file
}

// SortFindings orders findings by severity (holds first), code and subject, so
// that the same job always lists them in the same order.
func SortFindings(f []Finding) {
	rank := map[Severity]int{Hold: 0, Warn: 1, Note: 2}
	slices.SortStableFunc(f, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(rank[a.Severity], rank[b.Severity]), cmp.Compare(a.Code, b.Code), cmp.Compare(a.Subject, b.Subject))
	})
}

// Holds reports whether any of the findings puts the job on hold.
func Holds(f []Finding) bool {
	return slices.ContainsFunc(f, func(x Finding) bool { return x.Severity == Hold })
}
