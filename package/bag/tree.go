package bag

import (
	"archive/tar"
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/klauspost/compress/zstd"
)

// entry is a file in a bag, whatever the bag is packed in.
type entry struct {
	path    string // slash-separated, relative to the bag's top folder
	bytes   int64
	special string // what it is, where it is no regular file
	open    func() (io.ReadCloser, error)
}

// tree is a bag that can be walked more than once, in the order of the packing.
type tree interface {
	top() string // the name of the top folder, "" for an unpacked bag
	walk(visit func(e entry) error) error
	faults() []Fault // of the packing itself
}

// errNotPackage says that a file is neither a zip nor a tar.zst nor a folder.
var errNotPackage = errors.New("it is not a package: neither a zip, a tar.zst nor a folder")

func openTree(file string) (tree, func() error, error) {
	info, err := os.Stat(file)
	if err != nil {
		return nil, nil, err
	}
	if info.IsDir() {
		return folderTree{file}, func() error { return nil }, nil
	}
	f, err := os.Open(file)
	if err != nil {
		return nil, nil, err
	}
	magic := make([]byte, 4)
	n, err := io.ReadFull(f, magic)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return nil, nil, errors.Join(err, f.Close())
	}
	var t tree
	switch m := string(magic[:n]); {
	case strings.HasPrefix(m, "PK"):
		t, err = newZipTree(f, info.Size())
	case m == "\x28\xb5\x2f\xfd":
		t, err = newTarTree(f)
	default:
		err = errNotPackage
	}
	if err != nil {
		return nil, nil, errors.Join(err, f.Close())
	}
	return t, f.Close, nil
}

type folderTree struct{ dir string }

func (t folderTree) top() string     { return "" }
func (t folderTree) faults() []Fault { return nil }

func (t folderTree) walk(visit func(entry) error) error {
	return filepath.WalkDir(t.dir, func(file string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(t.dir, file)
		if err != nil {
			return err
		}
		e := entry{path: filepath.ToSlash(rel), open: func() (io.ReadCloser, error) { return os.Open(file) }}
		if !d.Type().IsRegular() {
			e.special = "a link or a special file"
			return visit(e)
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		e.bytes = info.Size()
		return visit(e)
	})
}

type zipTree struct {
	r    *zip.Reader
	name string
	bad  []Fault
}

func newZipTree(f io.ReaderAt, size int64) (tree, error) {
	r, err := zip.NewReader(f, size)
	if err != nil && !errors.Is(err, zip.ErrInsecurePath) {
		return nil, fmt.Errorf("it is a damaged zip: %w", err)
	}
	t := &zipTree{r: r}
	var packed, claimed uint64
	var names []string
	for _, e := range r.File {
		packed += e.CompressedSize64
		claimed += e.UncompressedSize64
		names = append(names, e.Name)
	}
	if packed > uint64(size) {
		return nil, fmt.Errorf("its %d entries claim %d packed bytes, but the file has %d: entries overlap", len(r.File), packed, size)
	}
	t.name, t.bad = topFolder(names)
	return t, nil
}

func (t *zipTree) top() string     { return t.name }
func (t *zipTree) faults() []Fault { return t.bad }

func (t *zipTree) walk(visit func(entry) error) error {
	for _, f := range t.r.File {
		rel, ok := below(t.name, f.Name)
		if !ok || strings.HasSuffix(f.Name, "/") {
			continue
		}
		e := entry{path: rel, bytes: int64(f.UncompressedSize64), open: f.Open}
		if !f.Mode().IsRegular() {
			e.special = "a link or a special entry"
		}
		if err := visit(e); err != nil {
			return err
		}
	}
	return nil
}

type tarTree struct {
	f    io.ReadSeeker
	name string
	bad  []Fault
}

func newTarTree(f io.ReadSeeker) (tree, error) {
	t := &tarTree{f: f}
	var names []string
	err := t.each(func(h *tar.Header, _ io.Reader) error {
		names = append(names, h.Name)
		return nil
	})
	if err != nil {
		return nil, err
	}
	t.name, t.bad = topFolder(names)
	return t, nil
}

func (t *tarTree) top() string     { return t.name }
func (t *tarTree) faults() []Fault { return t.bad }

// maxWindow bounds the memory that a zstd frame may ask for.
const maxWindow = 128 << 20

func (t *tarTree) each(visit func(h *tar.Header, content io.Reader) error) error {
	if _, err := t.f.Seek(0, io.SeekStart); err != nil {
		return err
	}
	d, err := zstd.NewReader(t.f, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(maxWindow))
	if err != nil {
		return err
	}
	defer d.Close()
	r := tar.NewReader(d)
	for {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil && !errors.Is(err, tar.ErrInsecurePath) {
			return fmt.Errorf("it is a damaged tar.zst: %w", err)
		}
		if err := visit(h, r); err != nil {
			return err
		}
	}
}

func (t *tarTree) walk(visit func(entry) error) error {
	return t.each(func(h *tar.Header, content io.Reader) error {
		rel, ok := below(t.name, h.Name)
		if !ok || h.Typeflag == tar.TypeDir {
			return nil
		}
		e := entry{path: rel, bytes: h.Size, open: func() (io.ReadCloser, error) { return io.NopCloser(content), nil }}
		if h.Typeflag != tar.TypeReg {
			e.special = "a link or a special entry"
		}
		return visit(e)
	})
}

// topFolder finds the one top folder of an archive and names every entry that is
// outside it or would be written somewhere else.
func topFolder(names []string) (string, []Fault) {
	top := ""
	var bad []Fault
	seen := map[string]bool{}
	for _, n := range names {
		if why := outOfScope(n); why != "" {
			bad = append(bad, Fault{n, "the entry " + why})
			continue
		}
		first, _, nested := strings.Cut(n, "/")
		if !nested {
			bad = append(bad, Fault{n, "the entry lies beside the bag's top folder, not in it"})
			continue
		}
		if top == "" {
			top = first
		}
		if first != top {
			bad = append(bad, Fault{n, fmt.Sprintf("the entry lies outside the bag's top folder %s", top)})
		}
		if key := fold(n); seen[key] {
			bad = append(bad, Fault{n, "the entry stands twice in the archive, or differs from another only in case or normalisation"})
		} else {
			seen[key] = true
		}
	}
	return top, bad
}

func below(top, name string) (string, bool) {
	rest, ok := strings.CutPrefix(name, top+"/")
	return rest, ok && outOfScope(name) == ""
}

// outOfScope says why a path would lead out of the folder it is unpacked in, or
// returns "" for a harmless one.
func outOfScope(p string) string {
	switch {
	case p == "":
		return "has no name"
	case strings.ContainsRune(p, 0):
		return "has a zero byte in its name"
	case strings.HasPrefix(p, "/"):
		return "has an absolute path"
	case strings.HasPrefix(p, "~"):
		return "has a path into a home folder"
	case strings.Contains(p, `\`):
		return "has a backslash in its path"
	case len(p) > 1 && p[1] == ':':
		return "has a path on a drive"
	}
	for part := range strings.SplitSeq(p, "/") {
		if part == ".." {
			return "has a path that climbs out of its folder"
		}
	}
	return ""
}
