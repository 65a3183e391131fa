package pipeline

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"

	"trammel/pipeline/format"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/par"
	"trammel/pipeline/stage"
)

// expectation is what a file is judged by: the part of the sheet that inspect
// reads, and so a part of its key.
type expectation struct {
	Path     string
	Kind     job.Kind
	Units    length.Unit
	Spheres  []job.Spheres
	Register job.Register
	Noise    float64
	Object   float64 // diagonal of the object's box, mm
}

const inspectVersion = 7

// part is one scan of a raw file: most files hold one, some formats many, and
// each is a set-up of its own.
type part struct {
	job.Scan
	raw   string // path of the file; Path has the number of the scan behind it
	index int    // which of the file's scans, counted from 0
	of    int
}

// parts lists the scans of a file. A file that cannot be opened is one part:
// reading it will say why.
func parts(s job.Scan) []part {
	r, err := format.Open(s.File)
	if err != nil {
		return []part{{Scan: s, raw: s.Path, of: 1}}
	}
	n := r.About().ScanCount()
	_ = r.Close() // read only
	list := make([]part, n)
	for k := range list {
		list[k] = part{Scan: s, raw: s.Path, index: k, of: n}
		if n > 1 {
			list[k].Path = fmt.Sprintf("%s#%d", s.Path, k+1)
		}
	}
	return list
}

// inspect hashes, reads and judges every scan, one at a time: ten million points
// fill memory, and the work inside is parallel.
func (r *run) inspect(ctx context.Context, scans []job.Scan, expect func(s job.Scan) expectation) ([]File, error) {
	sums := make([]stage.Key, len(scans))
	lists := make([][]part, len(scans))
	if err := par.Each(ctx, len(scans), func(i int) (err error) {
		lists[i] = parts(scans[i])
		sums[i], err = hashFile(scans[i].File)
		return err
	}); err != nil {
		return nil, err
	}
	var files []File
	for i, list := range lists {
		for _, p := range list {
			r.progress("inspecting", p.Path, i, len(scans))
			f, err := r.inspectOne(ctx, p, sums[i], expect(p.Scan))
			if err != nil {
				return nil, err
			}
			files = append(files, f)
		}
	}
	markDuplicates(files)
	return files, nil
}

// hashFile returns the SHA-256 of a file and notices when it changes meanwhile.
func hashFile(path string) (stage.Key, error) {
	f, err := os.Open(path)
	if err != nil {
		return stage.Key{}, err
	}
	before, err := f.Stat()
	if err != nil {
		return stage.Key{}, errors.Join(err, f.Close())
	}
	h := sha256.New()
	n, err := io.CopyBuffer(h, f, make([]byte, 1<<20))
	if err := errors.Join(err, f.Close()); err != nil {
		return stage.Key{}, fmt.Errorf("read %s: %w", path, err)
	}
	after, err := os.Stat(path)
	if err != nil {
		return stage.Key{}, err
	}
	if n != before.Size() || after.Size() != before.Size() || !after.ModTime().Equal(before.ModTime()) || !os.SameFile(before, after) {
		return stage.Key{}, fmt.Errorf("%s: %w", path, ErrChanged)
	}
	return stage.Key(h.Sum(nil)), nil
}

// ErrChanged says that a file was written to while it was read. Try again when
// the copying is over.
var ErrChanged = errors.New("the file changed while it was read; try again when it is complete")
