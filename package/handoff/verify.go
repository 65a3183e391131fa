package handoff

import (
	"bytes"
	"encoding/json"
	"path"
	"strings"

	"trammel/package/bag"
	"trammel/package/report"
	"trammel/pipeline/journal"
)

// Verdict is what Verify found.
type Verdict struct {
	Name       string            `json:"name"` // the bag's top folder
	Valid      bool              `json:"valid"`
	Version    string            `json:"bagit"`
	Files      int               `json:"files"`
	Bytes      int64             `json:"bytes"`
	Faults     []bag.Fault       `json:"faults"`
	Warnings   []bag.Fault       `json:"warnings"`
	ReleasedBy []report.Decision `json:"released"`
	doc        *report.Report
	info       []bag.Label
}

// Verify checks a package, packed or unpacked: the bag, and where it is one of
// this program's, that its parts are there and its session log is unbroken.
func Verify(file string) (Verdict, error) {
	parts := map[string][]byte{}
	b, err := bag.Verify(file, func(p string, content []byte) {
		switch path.Base(p) {
		case "datum-report.json", "session.jsonl", "job.yaml":
			parts[p] = content
		}
	})
	if err != nil {
		return Verdict{}, err
	}
	v := Verdict{Name: b.Name, Version: b.Version, Files: b.Files, Bytes: b.Bytes, Faults: b.Faults, Warnings: b.Warnings, info: b.Info, ReleasedBy: []report.Decision{}}
	if isPackage(b, parts) {
		v.checkPackage(b, parts)
	}
	v.Valid = len(v.Faults) == 0
	if v.Faults == nil {
		v.Faults = []bag.Fault{}
	}
	if v.Warnings == nil {
		v.Warnings = []bag.Fault{}
	}
	return v, nil
}

// isPackage tells a package of this program from any other bag.
func isPackage(b bag.Verdict, parts map[string][]byte) bool {
	for _, l := range b.Info {
		if l.Name == labelContent {
			return true
		}
	}
	_, sheet := parts["data/job.yaml"]
	_, doc := parts["data/report/datum-report.json"]
	return sheet && doc
}

func (v *Verdict) checkPackage(b bag.Verdict, parts map[string][]byte) {
	for _, must := range []string{"bag-info.txt", "bagit.txt", "manifest-sha512.txt", "data/job.yaml", "data/log/session.jsonl", "data/log/sources.csv",
		"data/mesh/object.ply", "data/mesh/object.stl", "data/report/datum-report.json", "data/report/datum-report.html", "data/READ-ME-FIRST.txt"} {
		if _, listed := b.Payload[must]; !listed && !named(v.Faults, must) {
			v.Faults = append(v.Faults, bag.Fault{Path: must, Text: "belongs to a package and is not in it, or is in no manifest"})
		}
	}
	for _, extra := range b.Unlisted {
		v.Faults = append(v.Faults, bag.Fault{Path: extra, Text: "does not belong to the package: no manifest lists it"})
	}
	if log, ok := parts["data/log/session.jsonl"]; ok {
		entries, err := journal.Parse(bytes.NewReader(log), "data/log/session.jsonl")
		if err != nil {
			v.Faults = append(v.Faults, bag.Fault{Path: "data/log/session.jsonl", Text: err.Error()})
		}
		v.ReleasedBy = append(v.ReleasedBy, decisions(entries).released...)
	}
	var doc report.Report
	if err := json.Unmarshal(parts["data/report/datum-report.json"], &doc); err == nil && strings.HasPrefix(doc.Format, "trammel-report/") {
		v.doc = &doc
	}
}

func named(faults []bag.Fault, p string) bool {
	for _, f := range faults {
		if f.Path == p {
			return true
		}
	}
	return false
}
