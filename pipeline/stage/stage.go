// Package stage makes a computation a function of its inputs whose result is
// kept: a result is found again by a key made of the stage's name and version,
// the parts of the job sheet that it reads, and the keys of its inputs.
//
// That gives resume after a kill (what was finished is there), reuse when one
// scan is added to sixteen (only what depends on it has a new key), and
// reproducibility. Results are files in the work folder, written whole or not at
// all, each ending in the SHA-256 of its content: a damaged one is noticed,
// removed and computed again, never used. The folder may be deleted at any time.
// Files are read and written in the layout of version 1 described here; a file
// of another layout has another key and is never read.
package stage

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"trammel/pipeline/disk"
)

// Key names a result: the SHA-256 of everything that it depends on.
type Key [sha256.Size]byte

// String returns the key in lower-case hex.
func (k Key) String() string { return hex.EncodeToString(k[:]) }

// layout is part of every key, so that a change of the file layout or of the
// codecs makes old files unreachable instead of misread.
const layout = "trammel-work/1"

// KeyOf returns the key of a stage's result. params is what the stage reads of
// the job sheet; it must encode to JSON the same way each time (no maps).
func KeyOf(name string, version int, params any, inputs ...Key) (Key, error) {
	p, err := json.Marshal(params)
	if err != nil {
		return Key{}, fmt.Errorf("key of stage %s: %w", name, err)
	}
	h := sha256.New()
	if _, err := fmt.Fprintf(h, "%s\n%s %d\n%d %s\n", layout, name, version, len(p), p); err != nil {
		return Key{}, err
	}
	for _, in := range inputs {
		h.Write(in[:])
	}
	return Key(h.Sum(nil)), nil
}

// Report is told what a stage did: reused says that the result was there.
type Report func(name, subject string, reused bool)

// Store keeps results in a folder. It may be used from several goroutines for
// different keys.
type Store struct {
	dir    string
	disk   *disk.Disk
	reads  bool // takes results and keeps none
	report Report

	mu               sync.Mutex // guards the counts
	computed, reused int
}

// Open returns the store in the folder dir, which is made when something is
// kept. report may be nil.
func Open(dir string, d *disk.Disk, report Report) *Store {
	return &Store{dir: dir, disk: d, report: report}
}

// Reading returns a store that takes what another one kept in the folder dir and
// writes nothing: for looking at a job that someone else works on.
func Reading(dir string) *Store { return &Store{dir: dir, reads: true} }

// Counts returns how many results were computed and how many were found.
func (s *Store) Counts() (computed, reused int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.computed, s.reused
}

func (s *Store) count(name, subject string, reused bool) {
	s.mu.Lock()
	if reused {
		s.reused++
	} else {
		s.computed++
	}
	s.mu.Unlock()
	if s.report != nil {
		s.report(name, subject, reused)
	}
}

func (s *Store) path(name string, k Key) string {
	return filepath.Join(s.dir, name, k.String())
}

// Codec turns a result into bytes and back. Decode must read exactly what
// Encode wrote; it is only given content whose checksum is right.
type Codec[T any] struct {
	Encode func(w io.Writer, v T) error
	Decode func(r io.Reader, size int64) (T, error)
}

// JSON returns the codec for small results. float64 values survive exactly.
func JSON[T any]() Codec[T] {
	return Codec[T]{
		Encode: func(w io.Writer, v T) error { return json.NewEncoder(w).Encode(v) },
		Decode: func(r io.Reader, _ int64) (v T, err error) {
			err = json.NewDecoder(r).Decode(&v)
			return v, err
		},
	}
}

// Run returns the result of a stage for the subject (a scan, or the job): the
// kept one where there is one, else what compute returns, which is then kept. An
// error of compute is returned as it is and nothing is kept.
func Run[T any](s *Store, name, subject string, k Key, c Codec[T], compute func() (T, error)) (T, error) {
	if s.dir == "" {
		v, err := compute()
		s.count(name, subject, false)
		return v, err
	}
	path := s.path(name, k)
	v, err := load(path, c)
	if err == nil {
		s.count(name, subject, true)
		return v, nil
	}
	if s.reads {
		v, err = compute()
		s.count(name, subject, false)
		return v, err
	}
	if !errors.Is(err, fs.ErrNotExist) {
		if err := s.disk.Remove(path); err != nil {
			return v, fmt.Errorf("remove damaged result of stage %s: %w", name, err)
		}
	}
	v, err = compute()
	if err != nil {
		return v, err
	}
	if err := s.keep(path, func(w io.Writer) error { return c.Encode(w, v) }); err != nil {
		return v, fmt.Errorf("keep result of stage %s: %w", name, err)
	}
	s.count(name, subject, false)
	return v, nil
}

// errDamaged says that a kept result is not what was written.
var errDamaged = errors.New("the kept result is damaged")

func load[T any](path string, c Codec[T]) (v T, err error) {
	f, err := os.Open(path)
	if err != nil {
		return v, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	info, err := f.Stat()
	if err != nil {
		return v, err
	}
	size := info.Size() - sha256.Size
	if size < 0 {
		return v, errDamaged
	}
	if err := verify(f, size); err != nil {
		return v, err
	}
	v, err = c.Decode(io.NewSectionReader(f, 0, size), size)
	return v, err
}

// verify compares the content with the checksum behind it, before any of it is
// decoded.
func verify(f io.ReaderAt, size int64) error {
	h := sha256.New()
	if _, err := io.CopyBuffer(h, io.NewSectionReader(f, 0, size), make([]byte, 1<<20)); err != nil {
		return err
	}
	var want [sha256.Size]byte
	if _, err := f.ReadAt(want[:], size); err != nil {
		return err
	}
	if Key(h.Sum(nil)) != Key(want) {
		return errDamaged
	}
	return nil
}

func (s *Store) keep(path string, encode func(io.Writer) error) error {
	if err := s.disk.Mkdir(filepath.Dir(path)); err != nil {
		return err
	}
	return s.disk.Write(path, func(w io.Writer) error {
		h := &hashed{w: w, h: sha256.New()}
		if err := encode(h); err != nil {
			return err
		}
		_, err := w.Write(h.h.Sum(nil))
		return err
	})
}

// hashed passes writes on and sums them.
type hashed struct {
	w io.Writer
	h hash.Hash
}

func (h *hashed) Write(p []byte) (int, error) {
	n, err := h.w.Write(p)
	h.h.Write(p[:n])
	return n, err
}

// Nowhere returns a store that keeps nothing: every result is computed.
func Nowhere() *Store { return &Store{} }
