package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"
)

// The architecture, executable: who may import whom inside the module. A folder
// may import what its line names; pipeline (the root package) wires the stages.
func allowedImports() map[string][]string {
	floor := []string{"pipeline/geom", "pipeline/length", "pipeline/scan", "pipeline/par", "pipeline/disk", "pipeline/fit", "pipeline/job"}
	stage := floor
	return map[string][]string{
		"pipeline/geom": {}, "pipeline/length": {}, "pipeline/par": {}, "pipeline/disk": {},
		"pipeline/scan":       {"pipeline/geom"},
		"pipeline/fit":        {"pipeline/geom"},
		"pipeline/job":        {"pipeline/geom", "pipeline/length"},
		"pipeline/journal":    {"pipeline/disk"},
		"pipeline/stage":      {"pipeline/disk", "pipeline/geom", "pipeline/scan"},
		"pipeline/format":     {"pipeline/geom", "pipeline/length", "pipeline/scan", "pipeline/par", "pipeline/format/..."},
		"pipeline/format/e57": {"pipeline/geom", "pipeline/scan"}, "pipeline/format/laz": {"pipeline/scan"}, "pipeline/format/glb": {"pipeline/geom", "pipeline/scan"},
		"pipeline/distance": {"pipeline/geom", "pipeline/scan", "pipeline/par"},
		"pipeline/picture":  {"pipeline/geom", "pipeline/scan", "pipeline/par", "pipeline/length"},
		"pipeline/simulate": append([]string{"pipeline/format"}, floor...),
		"pipeline/intake":   stage, "pipeline/sphere": stage, "pipeline/network": stage, "pipeline/normal": stage,
		"pipeline/surface": append([]string{"pipeline/surface/feature"}, stage...), "pipeline/surface/feature": floor,
		"pipeline/datum": stage, "pipeline/posegraph": stage, "pipeline/sticker": stage, "pipeline/mount": stage, "pipeline/coverage": stage,
		"pipeline/fuse":   append([]string{"pipeline/distance"}, stage...),
		"pipeline/reduce": append([]string{"pipeline/distance"}, stage...),
		"pipeline":        {"pipeline/..."},
		"package/bag":     {},
		"package/report":  {"pipeline", "pipeline/..."},
		"package/handoff": {"pipeline", "pipeline/...", "package/bag", "package/report"},
		"watch/arrivals":  {},
		"watch":           {"watch/arrivals", "package/handoff", "pipeline", "pipeline/..."},
		"cmd/trammel":     {"watch", "watch/...", "package/...", "pipeline", "pipeline/..."},
	}
}

type goPackage struct {
	ImportPath string
	Imports    []string
}

func modulePackages(t *testing.T) []goPackage {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "trammel/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []goPackage
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p goPackage
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

func TestImportDirections(t *testing.T) {
	allowed := allowedImports()
	for _, p := range modulePackages(t) {
		from := strings.TrimPrefix(p.ImportPath, "trammel/")
		may, known := allowed[from]
		if !known {
			t.Errorf("folder %s has no line in the table of allowed imports", from)
			continue
		}
		for _, i := range p.Imports {
			if to, inside := strings.CutPrefix(i, "trammel/"); inside && !permits(may, to) {
				t.Errorf("%s imports %s, which is against the direction cmd → watch → package → pipeline → floor", from, to)
			}
			if from != "cmd/trammel" && (strings.HasPrefix(i, "github.com/spf13/viper") || strings.HasPrefix(i, "github.com/spf13/cobra")) {
				t.Errorf("%s imports %s; settings and commands live in cmd/trammel", from, i)
			}
		}
	}
}

func permits(may []string, to string) bool {
	for _, m := range may {
		if m == to || strings.HasSuffix(m, "/...") && strings.HasPrefix(to, strings.TrimSuffix(m, "...")) {
			return true
		}
	}
	return false
}

// goroutines for computation are made in pipeline/par alone; the others wait for
// the world: signals, bars, events.
func TestGoroutinesAreMadeInOnePlace(t *testing.T) {
	out, err := exec.Command("git", "-C", "../..", "grep", "-nE", `^\s*go (func|[a-zA-Z.]+\()`, "--", "pipeline/*.go", "package/*.go", ":!*_test.go").Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() == 1 {
		return // nothing found
	}
	if err != nil {
		t.Skipf("git is not here to search with: %v", err)
	}
	t.Errorf("goroutines outside pipeline/par:\n%s", out)
}

// TestFilesAreWrittenInOnePlace finds writers outside pipeline/disk.
func TestFilesAreWrittenInOnePlace(t *testing.T) {
	out, err := exec.Command("git", "-C", "../..", "grep", "-nE", `os\.(Create|WriteFile|Rename|CreateTemp|OpenFile|Mkdir|MkdirAll|Remove|RemoveAll|Link|Symlink|Truncate)\(`,
		"--", "*.go", ":!*_test.go", ":!pipeline/disk").Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() == 1 {
		return // nothing found
	}
	if err != nil {
		t.Skipf("git is not here to search with: %v", err)
	}
	t.Errorf("files are written outside pipeline/disk:\n%s", out)
}
