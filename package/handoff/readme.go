package handoff

import (
	"bytes"
	"fmt"
	"strings"

	"trammel/package/report"
	"trammel/pipeline/job"
)

// movedSTL says that the coordinates in object.stl are others, or nothing.
func movedSTL(r report.Report) string {
	for _, f := range r.Findings {
		if f.Code == job.FarFromOrigin {
			return f.Text
		}
	}
	return ""
}

// readMe is the first file that a receiver opens.
func readMe(r report.Report, name string, forms []form) []byte {
	var b bytes.Buffer
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\r\n", args...) }
	line("%s  %s", name, r.Title)
	line("")
	line("WHAT IS IN HERE")
	line("  mesh/object.ply, object.stl   the surface, %d triangles", r.Mesh.Triangles)
	if text := movedSTL(r); text != "" {
		line("  CAUTION: object.stl is moved. %s", text)
	}
	line("  report/datum-report.html      read this one; the same as PDF and, for programs, as JSON")
	for _, f := range forms {
		if f.name == "object.glb" || f.name == "object.3mf" {
			line("  mesh/%s               the same surface", f.name)
		} else if strings.HasPrefix(f.name, "object-") {
			line("  mesh/%-24s the same surface, coarser: at most as many triangles as its name says", f.name)
		}
	}
	if patches := patchCount(r); patches > 0 {
		line("  mesh/mounts/                  the raw surface around each mount, as scanned, %d files", patches)
	}
	line("  report/mounts.csv             the mount points")
	line("  report/pitches.csv            distances and angles between them")
	if r.Datum != nil && r.Datum.Fits {
		line("  report/datum-4x4.txt          the datum as a matrix, there and back")
	}
	line("  log/session.jsonl             what was done and found, in order")
	line("  log/sources.csv               every raw scan, its checksum, and whether it was used")
	line("  job.yaml                      the job sheet")
	line("")
	line("UNITS AND AXES")
	line("  Every number is in %s. STL holds no unit: choose %s when you open it; GLB is in metres by its standard.", r.Units, r.Units)
	if r.Datum != nil && r.Datum.Fits {
		line("  Axes: right-handed, the datum of the job sheet (method %s, %.3f %s rms).", r.Datum.Method, r.Datum.RMS, r.Units)
	} else {
		line("  Axes: right-handed, those of the first set-up of the network; there is no datum.")
	}
	line("")
	line("HOW TO CHECK THAT IT IS WHOLE")
	line("  In the unpacked folder %s run:  sha512sum -c manifest-sha512.txt", name)
	line("  It is a bag after RFC 8493; any BagIt program can validate it.")
	line("")
	line("WHAT HOLDS IT BACK")
	holds := 0
	for _, f := range r.Findings {
		if f.Severity == "hold" {
			line("  %s %s: %s", f.Code, f.Subject, f.Text)
			holds++
		}
	}
	if holds == 0 {
		line("  Nothing.")
	}
	line("")
	line("CAUTIONS")
	for _, c := range report.Cautions() {
		line("  %s", c)
	}
	return b.Bytes()
}

// patchCount is how many mounts have their raw surface in the package.
func patchCount(r report.Report) int {
	n := 0
	for _, m := range r.Mounts {
		if m.Patch != "" {
			n++
		}
	}
	return n
}
