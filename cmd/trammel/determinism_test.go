package main

import (
	"bytes"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// TestSameBytes builds the same job in several folders, with one processor and
// with more: what the contract calls reproducible is the same to the last byte.
func TestSameBytes(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the small capture several times; run without -short")
	}
	first := buildSmall(t)
	if len(first) < 3 {
		t.Fatalf("only %d reproducible files in the package", len(first))
	}
	for _, processors := range []int{1, 3} {
		before := runtime.GOMAXPROCS(processors)
		again := buildSmall(t)
		runtime.GOMAXPROCS(before)
		if len(again) != len(first) {
			t.Errorf("%d files with %d processors, %d before", len(again), processors, len(first))
		}
		for name, content := range again {
			if !bytes.Equal(content, first[name]) {
				t.Errorf("%s differs with %d processors", name, processors)
			}
		}
	}
}

// buildSmall builds the small capture in a new folder and returns the files of
// the package that must not depend on when, where and on what it was built.
func buildSmall(t *testing.T) map[string][]byte {
	t.Helper()
	dir, unpacked := t.TempDir(), t.TempDir()
	if err := writeSmall(t.Context(), dir); err != nil {
		t.Fatal(err)
	}
	if code, out := runHere("build", dir); code != exitDone {
		t.Fatalf("exit %d\n%s", code, out)
	}
	if err := unpack(filepath.Join(dir, "out", "small-r001.zip"), unpacked); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(unpacked, "small-r001", "data")
	meshes, err := os.ReadDir(filepath.Join(data, "mesh"))
	if err != nil {
		t.Fatal(err)
	}
	names := []string{"report/datum-report.json"}
	for _, m := range meshes {
		names = append(names, "mesh/"+m.Name())
	}
	out := map[string][]byte{}
	for _, name := range names {
		content, err := os.ReadFile(filepath.Join(data, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		out[name] = content
	}
	if strings.Contains(string(out["report/datum-report.json"]), dir) {
		t.Errorf("the report names the folder it was built in")
	}
	return out
}
