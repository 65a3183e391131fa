package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestNamesCannotDriveTheTerminal gives a scan a name that would colour the
// screen, and forges a line: no byte of either reaches the output.
func TestNamesCannotDriveTheTerminal(t *testing.T) {
	dir := t.TempDir()
	writeFile(t, filepath.Join(dir, "job.yaml"), []byte(smallSheet("mm")))
	name := "red\x1b[31m\nGOOD: nothing holds the job.ply"
	file := filepath.Join(dir, "scans", "tripod", name)
	if err := os.MkdirAll(filepath.Dir(file), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte("no scan"), 0o600); err != nil {
		t.Skipf("such a name is not possible here: %v", err)
	}
	for _, args := range [][]string{{"check", dir}, {"build", dir}, {"status", filepath.Dir(dir)}, {"check", file}} {
		code, out := runHere(args...)
		if code == exitFault || code == exitUsage {
			t.Errorf("%s: exit %d\n%q", args[0], code, out)
		}
		if strings.ContainsRune(out, '\x1b') || strings.Contains(out, "\nGOOD") {
			t.Errorf("%s: the name of the file reaches the terminal: %q", args[0], out)
		}
	}
}
