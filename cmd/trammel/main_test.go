package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"trammel": main})
}

// TestScripts runs testdata/*.txt. Every script finds the small capture in small/
// and small-later/, and the same capture built once in built/.
func TestScripts(t *testing.T) {
	shared := prepareShared(t)
	dir, files := "testdata", []string(nil)
	if testing.Short() { // with the race detector a script takes ten times as long; these reach all that runs side by side
		dir, files = "", []string{"testdata/build.txt", "testdata/usage.txt", "testdata/watch.txt", "testdata/wrong-sheet.txt"}
	}
	testscript.Run(t, testscript.Params{
		Dir: dir, Files: files,
		Setup: func(e *testscript.Env) error {
			e.Setenv("TRAMMEL_LOG_LEVEL", "warn")
			return os.CopyFS(e.WorkDir, os.DirFS(shared))
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exit": cmdExit, "tree": cmdTree, "onejson": cmdOneJSON, "alter": cmdAlter, "rewrite": cmdRewrite, "append": cmdAppend("\n"), "append-torn": cmdAppend(""), "damage": cmdDamage, "unpack": cmdUnpack, "hold": cmdHold, "ply": cmdPLY,
			"odd": cmdOdd, "cleaned": cmdCleaned, "grain": cmdGrain, "twin": cmdTwin, "e57": cmdE57, "zerotail": cmdZeroTail, "scaled": cmdScaled, "meshscaled": cmdMeshScaled,
		},
		RequireExplicitExec: true,
	})
}

func prepareShared(t *testing.T) string {
	t.Helper()
	shared := t.TempDir()
	for _, name := range []string{"small", "built"} {
		if err := writeSmall(t.Context(), filepath.Join(shared, name)); err != nil {
			t.Fatal(err)
		}
	}
	if code, out := runHere("build", filepath.Join(shared, "built")); code != exitDone {
		t.Fatalf("build of the small capture: exit %d\n%s", code, out)
	}
	return shared
}

// runHere executes a command line in this process and returns its exit code and
// everything it wrote.
func runHere(args ...string) (int, string) {
	var out bytes.Buffer
	e := realEnv()
	e.stdin, e.stdout, e.stderr = strings.NewReader(""), &out, &out
	return run(append([]string{"--quiet"}, args...), e), out.String()
}

// cmdExit is "exit N trammel ARG...": it runs the program and asks for that exit
// code, which the script language's own exec cannot.
func cmdExit(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exit CODE PROGRAM ARG...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var code interface{ ExitCode() int }
	switch {
	case errors.As(err, &code):
		got = code.ExitCode()
	case err != nil:
		ts.Fatalf("%v", err)
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

// cmdTree is "tree DIR FILE": it writes path, kind, mode and content digest of
// everything below DIR into FILE, outside of DIR.
func cmdTree(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: tree DIR FILE")
	}
	list, err := treeOf(ts.MkAbs(args[0]))
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(list), 0o600))
}

func treeOf(root string) (string, error) {
	var b strings.Builder
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		digest := ""
		if d.Type().IsRegular() {
			content, err := os.ReadFile(p)
			if err != nil {
				return err
			}
			digest = fmt.Sprintf("%x", sha256.Sum256(content))
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		_, _ = fmt.Fprintf(&b, "%s %s %s\n", rel, info.Mode(), digest) // a Builder never fails
		return nil
	})
	return b.String(), err
}

// cmdOneJSON is "onejson [FORMAT]": the last output is one JSON document and
// nothing else; with FORMAT, that is what its format says.
func cmdOneJSON(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) > 1 {
		ts.Fatalf("usage: onejson [FORMAT]")
	}
	d := json.NewDecoder(strings.NewReader(ts.ReadFile("stdout")))
	var doc struct{ Format string }
	if err := d.Decode(&doc); err != nil {
		ts.Fatalf("standard output is not JSON: %v", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		ts.Fatalf("there is more than one JSON document on standard output")
	}
	if len(args) == 1 && doc.Format != args[0] {
		ts.Fatalf("format %q, want %q", doc.Format, args[0])
	}
}

// cmdAlter is "alter FILE OFFSET": it flips a bit; a negative offset counts from
// the end.
func cmdAlter(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: alter FILE OFFSET")
	}
	file := ts.MkAbs(args[0])
	content, err := os.ReadFile(file)
	ts.Check(err)
	at, err := strconv.Atoi(args[1])
	ts.Check(err)
	if at < 0 {
		at += len(content)
	}
	content[at] ^= 0x10
	ts.Check(os.WriteFile(file, content, 0o600))
}

// cmdRewrite is "rewrite FILE OLD NEW": it replaces OLD, which must be there; \n
// is a line end in both.
func cmdRewrite(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: rewrite FILE OLD NEW")
	}
	file := ts.MkAbs(args[0])
	content, err := os.ReadFile(file)
	ts.Check(err)
	if !bytes.Contains(content, []byte(unescape(args[1]))) {
		ts.Fatalf("%s does not hold %q", args[0], args[1])
	}
	ts.Check(os.WriteFile(file, bytes.ReplaceAll(content, []byte(unescape(args[1])), []byte(unescape(args[2]))), 0o600))
}

func unescape(s string) string { return strings.ReplaceAll(s, `\n`, "\n") }

// cmdAppend is "append FILE LINE", and with the name append-torn, without an end
// of the line.
func cmdAppend(end string) func(*testscript.TestScript, bool, []string) {
	return func(ts *testscript.TestScript, neg bool, args []string) {
		if neg || len(args) != 2 {
			ts.Fatalf("usage: append FILE LINE")
		}
		file := ts.MkAbs(args[0])
		content, err := os.ReadFile(file)
		ts.Check(err)
		ts.Check(os.WriteFile(file, append(content, args[1]+end...), 0o600))
	}
}

// cmdDamage is "damage DIR": it flips a bit in the middle of every file below DIR.
func cmdDamage(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: damage DIR")
	}
	n := 0
	ts.Check(filepath.WalkDir(ts.MkAbs(args[0]), func(p string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		content, err := os.ReadFile(p)
		if err != nil || len(content) == 0 {
			return err
		}
		n++
		content[len(content)/2] ^= 1
		return os.WriteFile(p, content, 0o600)
	}))
	if n < 10 {
		ts.Fatalf("%d files damaged, there should be more", n)
	}
}

// cmdUnpack is "unpack PACKAGE DIR".
func cmdUnpack(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: unpack PACKAGE DIR")
	}
	ts.Check(unpack(ts.MkAbs(args[0]), ts.MkAbs(args[1])))
}

// cmdHold is "hold LOCKFILE": another process holds it until the script ends.
func cmdHold(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: hold LOCKFILE")
	}
	release, err := holdLock(ts.MkAbs(args[0]))
	ts.Check(err)
	ts.Defer(func() { ts.Check(release()) })
}

// cmdPLY is "ply FILE POINTS PROMISED": a PLY file in metres of POINTS points
// whose header promises PROMISED of them.
func cmdPLY(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: ply FILE POINTS PROMISED")
	}
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	var b strings.Builder
	_, _ = fmt.Fprintf(&b, "ply\nformat ascii 1.0\ncomment units m\nelement vertex %s\nproperty float x\nproperty float y\nproperty float z\nend_header\n", args[2])
	for i := range n {
		_, _ = fmt.Fprintf(&b, "2 %g %g\n", float64(i%20)/20, float64(i/20)/20)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(b.String()), 0o600))
}
