// Package bag writes and verifies bags: folders of files with manifests of their
// checksums, after RFC 8493 (BagIt 1.0, October 2018), packed as one file.
//
// Write streams payload and tag files into a zip or tar.zst with exactly one top
// folder, summing as it goes, so that nothing is read twice. The same files give
// the same archive bytes: entries are sorted, times are fixed. Verify reads a
// packed file or an unpacked folder, trusts nothing in it, writes nothing, and
// lists all faults. It judges bags of version 1.0 and the drafts 0.93 to 0.97
// before it; it does not fetch.
package bag

import (
	"bytes"
	"crypto/sha512"
	"encoding/hex"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
)

// File is a file of the payload. Path is slash-separated and relative to data/.
type File struct {
	Path string
	Open func() (io.ReadCloser, error)
}

// Label is a line of bag-info.txt.
type Label struct{ Name, Value string }

// Sum is what a written file turned out to be.
type Sum struct {
	Path   string // as given
	Bytes  int64
	SHA512 string
}

// archive takes the files of a bag in order.
type archive interface {
	add(name string, content io.Reader, bytes int64) error
	close() error
}

// Write packs a bag called name into w, as "zip" or "tar.zst", and returns what
// was packed. Payload-Oxum is added to the labels. File paths must be unique,
// local and slash-separated.
func Write(w io.Writer, format, name string, files []File, info []Label) ([]Sum, error) {
	files = slices.Clone(files)
	slices.SortFunc(files, func(a, b File) int { return strings.Compare(a.Path, b.Path) })
	if err := checkPaths(files); err != nil {
		return nil, err
	}
	a, err := newArchive(w, format)
	if err != nil {
		return nil, err
	}
	p := packer{archive: a, top: name}
	sums, err := p.payload(files)
	if err != nil {
		return nil, err
	}
	if err := p.tags(sums, info); err != nil {
		return nil, err
	}
	return sums, a.close()
}

func checkPaths(files []File) error {
	folded := map[string]string{}
	for _, f := range files {
		if f.Path != path.Clean(f.Path) || path.IsAbs(f.Path) || f.Path == ".." || strings.HasPrefix(f.Path, "../") || strings.Contains(f.Path, `\`) {
			return fmt.Errorf("%q cannot be a path in a bag", f.Path)
		}
		key := fold(f.Path)
		if other, twice := folded[key]; twice {
			return fmt.Errorf("%q and %q cannot both be in a bag: some file systems cannot tell them apart", other, f.Path)
		}
		folded[key] = f.Path
	}
	return nil
}

type packer struct {
	archive archive
	top     string
}

func (p *packer) payload(files []File) ([]Sum, error) {
	var sums []Sum
	for _, f := range files {
		s, err := p.add(f)
		if err != nil {
			return nil, fmt.Errorf("pack %s: %w", f.Path, err)
		}
		sums = append(sums, s)
	}
	return sums, nil
}

func (p *packer) add(f File) (s Sum, err error) {
	r, err := f.Open()
	if err != nil {
		return s, err
	}
	defer func() {
		if e := r.Close(); err == nil {
			err = e
		}
	}()
	h := sha512.New()
	n := &counter{r: io.TeeReader(r, h)}
	size, err := sizeOf(r)
	if err != nil {
		return s, err
	}
	if err := p.archive.add(p.top+"/data/"+f.Path, n, size); err != nil {
		return s, err
	}
	if size >= 0 && n.bytes != size {
		return s, fmt.Errorf("it had %d bytes when it was opened and %d when it was read", size, n.bytes)
	}
	return Sum{Path: f.Path, Bytes: n.bytes, SHA512: hex.EncodeToString(h.Sum(nil))}, nil
}

type counter struct {
	r     io.Reader
	bytes int64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.bytes += int64(n)
	return n, err
}

func (p *packer) tags(sums []Sum, info []Label) error {
	var total int64
	var manifest bytes.Buffer
	for _, s := range sums {
		total += s.Bytes
		fmt.Fprintf(&manifest, "%s  data/%s\n", s.SHA512, escape(s.Path))
	}
	info = append(slices.Clone(info), Label{"Payload-Oxum", fmt.Sprintf("%d.%d", total, len(sums))})
	tags := []struct {
		name string
		text []byte
	}{
		{"bag-info.txt", infoText(info)},
		{"bagit.txt", []byte("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")},
		{"manifest-sha512.txt", manifest.Bytes()},
	}
	var second bytes.Buffer
	for _, t := range tags {
		h := sha512.Sum512(t.text)
		fmt.Fprintf(&second, "%x  %s\n", h, t.name)
	}
	tags = append(tags, struct {
		name string
		text []byte
	}{"tagmanifest-sha512.txt", second.Bytes()})
	for _, t := range tags {
		if err := p.archive.add(p.top+"/"+t.name, bytes.NewReader(t.text), int64(len(t.text))); err != nil {
			return fmt.Errorf("pack %s: %w", t.name, err)
		}
	}
	return nil
}

// infoText writes bag-info.txt; a value never breaks its line.
func infoText(info []Label) []byte {
	var b bytes.Buffer
	for _, l := range info {
		value := strings.Join(strings.Fields(l.Value), " ")
		fmt.Fprintf(&b, "%s: %s\n", l.Name, value)
	}
	return b.Bytes()
}

// escape percent-encodes what RFC 8493, section 2.1.3 says: LF, CR and %.
func escape(p string) string {
	return strings.NewReplacer("%", "%25", "\n", "%0A", "\r", "%0D").Replace(p)
}

// unescape undoes escape and leaves any other percent sign alone.
func unescape(p string) string {
	return strings.NewReplacer("%25", "%", "%0A", "\n", "%0a", "\n", "%0D", "\r", "%0d", "\r").Replace(p)
}
