package bag

import (
	"crypto/md5"  //nolint:gosec // bags of older versions use it; it is checked, never written
	"crypto/sha1" //nolint:gosec // as above
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"path"
	"slices"
	"strings"
)

// Fault is something wrong with a bag. Path is empty where the bag as a whole is
// to blame.
type Fault struct {
	Path string `json:"path"`
	Text string `json:"text"`
}

// Verdict is what Verify found.
type Verdict struct {
	Name     string            // the bag's top folder
	Valid    bool              // complete and unaltered
	Version  string            // of the specification that the bag follows
	Files    int               // of the payload
	Bytes    int64             // of the payload
	Info     []Label           // bag-info.txt
	Faults   []Fault           // empty when valid
	Warnings []Fault           // do not make a bag invalid
	Payload  map[string]string // path of every listed and intact file → its checksum
	Unlisted []string          // tag files that no tag manifest lists, tag manifests themselves left out
}

// Verify checks the bag at file, packed or not. Everything wrong with the bag is
// in the verdict; an error means that it could not be read at all. Text files of
// the payload up to 16 MiB whose base name keep accepts are handed to it.
func Verify(file string, keep func(path string, content []byte)) (Verdict, error) {
	t, closeTree, err := openTree(file)
	if err != nil {
		if errors.Is(err, errNotPackage) || strings.HasPrefix(err.Error(), "it is ") || strings.HasPrefix(err.Error(), "its ") {
			return Verdict{Faults: []Fault{{"", err.Error()}}}, nil
		}
		return Verdict{}, err
	}
	c := &checker{verdict: Verdict{Name: t.top(), Faults: t.faults(), Payload: map[string]string{}}, keep: keep, tags: map[string][]byte{}, files: map[string]*seenFile{}}
	c.run(t)
	return c.verdict, closeTree()
}

// checker gathers what a bag says and what it holds.
type checker struct {
	verdict   Verdict
	keep      func(string, []byte)
	tags      map[string][]byte // tag files at the top, by path
	files     map[string]*seenFile
	order     []string
	manifests []manifest
	fetch     map[string]bool
	absent    int // listed files that a draft bag may lack
}

type seenFile struct {
	bytes int64
	sums  map[string]string // algorithm → hex
}

func (c *checker) fault(p, text string, args ...any) {
	c.verdict.Faults = append(c.verdict.Faults, Fault{p, fmt.Sprintf(text, args...)})
}

func (c *checker) warn(p, text string, args ...any) {
	c.verdict.Warnings = append(c.verdict.Warnings, Fault{p, fmt.Sprintf(text, args...)})
}

// maxTag bounds a tag file; a manifest of a million files has about 200 MB, and
// a bag of this program has a few dozen.
const maxTag = 256 << 20

func (c *checker) run(t tree) {
	if err := t.walk(c.readTag); err != nil {
		c.fault("", "%s", err)
		return
	}
	c.declaration()
	c.readManifests()
	c.readFetch()
	if err := t.walk(c.sum); err != nil {
		c.fault("", "%s", err)
		return
	}
	c.compare()
	c.info()
	c.verdict.Valid = len(c.verdict.Faults) == 0
}

func (c *checker) readTag(e entry) error {
	if strings.Contains(e.path, "/") || e.special != "" || !strings.HasSuffix(e.path, ".txt") {
		return nil
	}
	text, err := readAll(e, maxTag)
	if err != nil {
		return fmt.Errorf("read %s: %w", e.path, err)
	}
	c.tags[e.path] = text
	return nil
}

func readAll(e entry, most int64) ([]byte, error) {
	r, err := e.open()
	if err != nil {
		return nil, err
	}
	text, err := io.ReadAll(io.LimitReader(r, most+1))
	if err := errors.Join(err, r.Close()); err != nil {
		return nil, err
	}
	if int64(len(text)) > most {
		return nil, fmt.Errorf("it is larger than %d bytes", most)
	}
	return text, nil
}

// maxKept bounds what is handed to keep.
const maxKept = 16 << 20

// sum takes the checksums of one file, by all algorithms that manifests use.
func (c *checker) sum(e entry) error {
	if e.special != "" {
		c.fault(e.path, "is %s; a bag holds regular files only", e.special)
		return nil
	}
	if c.files[e.path] != nil {
		return nil // the packing has named it already
	}
	f := &seenFile{sums: map[string]string{}}
	hashes := map[string]hash.Hash{}
	var writers []io.Writer
	for _, m := range c.manifests {
		if hashes[m.algorithm] == nil {
			hashes[m.algorithm] = newHash(m.algorithm)
			writers = append(writers, hashes[m.algorithm])
		}
	}
	kept := &limited{most: maxKept}
	if c.keep != nil && strings.HasPrefix(e.path, "data/") {
		writers = append(writers, kept)
	}
	r, err := e.open()
	if err == nil {
		f.bytes, err = io.CopyBuffer(io.MultiWriter(writers...), r, make([]byte, 1<<20))
		err = errors.Join(err, r.Close())
	}
	if err != nil {
		c.fault(e.path, "cannot be read: %s", err)
		return nil
	}
	for a, h := range hashes {
		f.sums[a] = hex.EncodeToString(h.Sum(nil))
	}
	c.files[e.path] = f
	c.order = append(c.order, e.path)
	if c.keep != nil && !kept.over && strings.HasPrefix(e.path, "data/") {
		c.keep(e.path, kept.data)
	}
	return nil
}

// limited keeps what is written until it grows too large.
type limited struct {
	data []byte
	most int
	over bool
}

func (l *limited) Write(p []byte) (int, error) {
	if l.over || len(l.data)+len(p) > l.most {
		l.over, l.data = true, nil
	} else {
		l.data = append(l.data, p...)
	}
	return len(p), nil
}

func newHash(algorithm string) hash.Hash {
	switch algorithm {
	case "md5":
		return md5.New() //nolint:gosec // see the import
	case "sha1":
		return sha1.New() //nolint:gosec // see the import
	case "sha224":
		return sha256.New224()
	case "sha256":
		return sha256.New()
	case "sha384":
		return sha512.New384()
	default:
		return sha512.New()
	}
}

// compare holds what is there against the manifests.
func (c *checker) compare() {
	payload := 0
	for _, p := range c.order {
		if strings.HasPrefix(p, "data/") {
			payload++
			c.verdict.Bytes += c.files[p].bytes
		}
	}
	c.verdict.Files = payload
	for _, m := range c.manifests {
		c.compareWith(m)
	}
	c.unlisted()
}

func (c *checker) compareWith(m manifest) {
	for _, l := range m.lines {
		f := c.files[l.path]
		switch {
		case f == nil && c.fetch[l.path]:
			c.fault(l.path, "is listed in fetch.txt and not here; this program does not fetch")
		case f == nil && c.tolerated(m, l):
			if systemFile(l.path) {
				c.absent++
			}
		case f == nil:
			c.fault(l.path, "is listed in %s but missing", m.name)
		case !strings.EqualFold(f.sums[m.algorithm], l.sum):
			c.fault(l.path, "was altered: its %s is %s, %s says %s", strings.ToUpper(m.algorithm), f.sums[m.algorithm], m.name, strings.ToLower(l.sum))
		default:
			c.verdict.Payload[l.path] = f.sums[m.algorithm]
		}
	}
}

// tolerated reports whether a draft bag may lack a listed file: a twin of another
// that differs only in case and has the same content, as file systems that ignore
// case make them, or what a desktop left behind. The conformance suite asks for a
// warning there. Version 1.0 knows no such exception.
func (c *checker) tolerated(m manifest, l line) bool {
	if c.verdict.Version == "1.0" {
		return false
	}
	if systemFile(l.path) {
		return true // readManifest has warned of it
	}
	return slices.ContainsFunc(c.order, func(p string) bool {
		return fold(p) == fold(l.path) && strings.EqualFold(c.files[p].sums[m.algorithm], l.sum)
	})
}

func (c *checker) unlisted() {
	for _, p := range c.order {
		if _, intact := c.verdict.Payload[p]; !intact && !strings.HasPrefix(p, "data/") && !strings.HasPrefix(p, "tagmanifest-") && !slices.ContainsFunc(c.verdict.Faults, func(f Fault) bool { return f.Path == p }) {
			c.verdict.Unlisted = append(c.verdict.Unlisted, p)
		}
	}
	for _, m := range c.manifests {
		if m.tags {
			continue
		}
		listed := map[string]bool{}
		for _, l := range m.lines {
			listed[l.path] = true
		}
		for _, p := range c.order {
			if strings.HasPrefix(p, "data/") && !listed[p] && (c.verdict.Version == "1.0" || !c.listedAnywhere(p)) {
				c.fault(p, "is in the payload but not listed in %s", m.name)
			}
		}
	}
}

// listedAnywhere is the rule of the drafts: one manifest must list a file.
func (c *checker) listedAnywhere(p string) bool {
	return slices.ContainsFunc(c.manifests, func(m manifest) bool {
		return !m.tags && slices.ContainsFunc(m.lines, func(l line) bool { return l.path == p })
	})
}

// systemFile names what desktops leave behind.
func systemFile(p string) bool {
	switch strings.ToLower(path.Base(p)) {
	case "thumbs.db", "desktop.ini", ".ds_store":
		return true
	}
	return strings.HasPrefix(path.Base(p), "._")
}
