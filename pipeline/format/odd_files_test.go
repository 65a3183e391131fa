package format

import (
	"net"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestOddFilesAreNeverOpened puts what is no file where a scan should be. Opening
// a pipe to read would wait for a writer for ever, so these are told by what the
// folder says of them.
func TestOddFilesAreNeverOpened(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.Mkdir(at("folder.ply"), 0o700))
	must(unix.Mkfifo(at("pipe.stl"), 0o600))
	socket, err := net.Listen("unix", at("s.obj"))
	must(err)
	defer func() { must(socket.Close()) }()
	must(os.Symlink(at("pipe.stl"), at("link to a pipe.xyz")))
	must(os.Symlink("/dev/zero", at("device.ply")))
	for _, name := range []string{"folder.ply", "pipe.stl", "s.obj", "link to a pipe.xyz", "device.ply"} {
		_, err := Open(at(name))
		mustRefuse(t, err, "a folder or a special file")
	}
}

func TestLinks(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	if err := os.WriteFile(at("a.xyz"), []byte("1 2 3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for link, target := range map[string]string{"good": "a.xyz", "into nothing": "b.xyz", "round": "round"} {
		if err := os.Symlink(at(target), at(link)); err != nil {
			t.Fatal(err)
		}
	}
	if c, err := Read(t.Context(), at("good"), 0, 1); err != nil || c.Cloud.Len() != 1 {
		t.Errorf("a link to a scan: %v", err)
	}
	for _, link := range []string{"into nothing", "round"} {
		if _, err := Open(at(link)); err == nil {
			t.Errorf("a link %s was read", link)
		}
	}
}

// A file of which nothing but the name says STL or OBJ is refused whatever it is.
func TestEmptyAndMeaningless(t *testing.T) {
	for _, name := range []string{"a.ply", "a.stl", "a.obj", "a.glb", "a.xyz", "a.ply.gz", "a"} {
		for _, content := range []string{"", "\n", " ", "\x00", "\xff\xfe1\x00", "\r\n\r\n", "ply", "solid", "v", "glTF"} {
			c, err := parse(t, name, content, 1)
			if err == nil && name == "a.obj" && c.Cloud.Len() == 0 {
				continue // an OBJ of nothing is one
			}
			if err == nil {
				t.Errorf("%s with %q: got %+v", name, content, c)
			} else {
				mustRefuse(t, err, "")
			}
		}
	}
}
