// Package format reads and writes scan files. A path comes in; what the file
// says about itself (About), batches of points and triangles in the file's own
// numbers (Reader.Next), or the whole as a cloud or a mesh in millimetres (Read)
// go out. PLY, STL, OBJ, GLB, E57, LAS, LAZ, PCD and text are read, each also
// inside gzip or zstd, text also in UTF-16.
//
// Three ideas. The format is told by content first and by name second, since
// names lie. A header's counts are claims: memory is taken for what the file can
// really hold. All formats stream through one interface, so that a new one is a
// decoder of one method and nothing else.
//
// Sources: G. Turk, The PLY Polygon File Format (1994); the stereolithography
// interface note (1988) as retold in the public literature; the published
// appendix of the OBJ format; ASPRS, LAS Specification 1.4 - R15 (2019); R. B.
// Rusu, The PCD (Point Cloud Data) file format (from memory); RFC 1952 (gzip) and
// RFC 8878 (zstd). E57, GLB and the compression of LAZ have packages of their own,
// which name theirs.
//
// The package judges nothing beyond readability: units are passed on as
// declared, never guessed; duplicate points and odd shapes are left to intake.
// A file that cannot be read is refused with scan.ErrFormat or scan.ErrTruncated
// and a sentence; no input makes it panic.
package format

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// Unsaid stands for a count that a file does not announce.
const Unsaid = -1

// About is what a file says about itself. Counts are claims of the file.
type About struct {
	Format      string      // "ply", "stl", "obj", "glb", "e57", "las", "laz", "pcd" or "text"
	Encoding    string      // "ascii", "binary little-endian" or "binary big-endian"
	Compression string      // "", "gzip" or "zstd"
	Points      int64       // vertices or points announced, or Unsaid
	Triangles   int64       // faces announced (a polygon counts once), or Unsaid
	Units       length.Unit // declared in the header or a comment, or fixed by the format, or length.Unknown
	Mesh        bool        // whether faces are announced; for OBJ, whether any were met so far
	Scans       []ScanAbout // the scans of a format that keeps several or tells more of them; else empty, which means one
	Notes       []string    // full sentences on what is odd but readable; may grow while reading
}

// ScanAbout is what a file says about one of its scans.
type ScanAbout struct {
	Name   string
	Points int64 // records announced, those without a return included
	// Pose takes the scan's frame to the frame that the file's scans share, its
	// translation in the file's own numbers; nil where the file gives none.
	Pose *geom.Pose
	// Rows and Columns are the size of the grid that the scan was taken in, or 0.
	Rows, Columns int
	// The intensities that the instrument can give; equal where the file is silent.
	IntensityMin, IntensityMax float64
}

// ScanCount returns how many scans the file holds, at least one.
func (a About) ScanCount() int { return max(1, len(a.Scans)) }

// Batch is a portion of a file. The slices are used again by each Next.
type Batch struct {
	X, Y, Z    []float64 // points in the file's own numbers, NaN and Inf included
	NX, NY, NZ []float32 // normals as they stand in the file; empty, or as long as X
	Intensity  []float32 // in the file's own scale; empty, or as long as X
	RGB        []uint8   // red, green, blue a point; empty, or three times as long as X
	// Row and Column are the points' places in the scan's grid, counted from 0;
	// empty, or as long as X.
	Row, Column []int32
	Scan        int   // which of the file's scans this is a portion of, counted from 0; never two at once
	Blank       int64 // records met that are directions without a return
	// Tri holds three point numbers a triangle, counted from 0 over the whole
	// file. A file may name points of a later batch, or points it does not have.
	Tri []int64
}

func (b *Batch) reset() {
	b.X, b.Y, b.Z = b.X[:0], b.Y[:0], b.Z[:0]
	b.NX, b.NY, b.NZ, b.Intensity = b.NX[:0], b.NY[:0], b.NZ[:0], b.Intensity[:0]
	b.RGB, b.Row, b.Column = b.RGB[:0], b.Row[:0], b.Column[:0]
	b.Tri, b.Scan, b.Blank = b.Tri[:0], 0, 0
}

func (b *Batch) isEmpty() bool { return len(b.X) == 0 && len(b.Tri) == 0 && b.Blank == 0 }

// fan appends a polygon as the fan of triangles around its first corner.
func (b *Batch) fan(corners []int64) {
	for i := 2; i < len(corners); i++ {
		b.Tri = append(b.Tri, corners[0], corners[i-1], corners[i])
	}
}

// decoder is one format. next appends to an empty batch; a batch left empty and
// io.EOF mean the end. It may append to the notes of the About it was made with.
type decoder interface {
	next(b *Batch) error
}

// selector is a decoder of a format that keeps several scans in one file. choose
// lets next give the scan numbered k alone; it is called before the first next.
type selector interface {
	choose(k int)
}

// wants is what the caller needs of a file beyond places; decoders may pass over
// the rest.
type wants struct {
	colour bool
}

// batchRows is the number of records a batch aims at: 8192 points of 24 bytes
// are 196 kB, which stays in a second-level cache.
const batchRows = 8192

const (
	// mostCorners of triangles end a batch early, which large polygons would
	// make large.
	mostCorners = 6 * batchRows
	// longestPolygon is the most corners of one polygon: a million times what is
	// usual, and less memory than a file may take anyway.
	longestPolygon = 1 << 20
)

// Reader streams one file. It is not safe for concurrent use.
type Reader struct {
	name  string
	about About
	src   *source     // the content in order, unpacked
	at    io.ReaderAt // the file as it lies on the disk
	size  int64       // of the file, bytes
	want  wants
	dec   decoder
	// unpacking stands between a compressed file and src; else it is nil.
	unpacking *limited
	closers   []io.Closer
}

// Open opens the scan file at path and reads its header. A folder or a special
// file is refused without touching it. Errors satisfy errors.Is with
// scan.ErrFormat or scan.ErrTruncated where the content is at fault.
func Open(path string) (*Reader, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("open scan: %w", err)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("read %s: it is a folder or a special file: %w", path, scan.ErrFormat)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open scan: %w", err)
	}
	r, err := OpenAt(f, info.Size(), path)
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	r.closers = append(r.closers, f)
	return r, nil
}

// OpenAt is Open for content of the given size in bytes that comes from
// anywhere. name is used in messages and where content alone does not decide.
func OpenAt(content io.ReaderAt, size int64, name string) (*Reader, error) {
	r := &Reader{name: name, at: content, size: size, want: wants{colour: true}}
	r.src = newSource(io.NewSectionReader(content, 0, size), size)
	if err := r.start(); err != nil {
		return nil, errors.Join(fmt.Errorf("read %s: %w", name, err), r.Close())
	}
	return r, nil
}

func (r *Reader) start() error {
	if err := r.unpack(); err != nil {
		return err
	}
	r.recode()
	kind, err := detect(r.src, r.name)
	if err != nil {
		return err
	}
	r.about.Format, r.about.Points, r.about.Triangles = kind, Unsaid, Unsaid
	switch kind {
	case "ply":
		r.dec, err = newPLY(r.src, &r.about, &r.want)
	case "stl":
		r.dec, err = newSTL(r.src, &r.about)
	case "obj":
		r.dec = newOBJ(r.src, &r.about, &r.want)
	case "glb":
		r.dec, err = r.newGLB()
	case "e57":
		r.dec, err = newE57(r)
	case "las":
		r.dec, err = newLAS(r)
	case "pcd":
		r.dec, err = newPCD(r)
	default:
		r.dec, err = newText(r.src, &r.about, &r.want)
	}
	return err
}

// About returns what the file has said about itself up to now.
func (r *Reader) About() About {
	a := r.about
	a.Notes = slices.Clone(a.Notes)
	return a
}

// Choose lets Next and Content give the scan numbered k alone, counted from 0.
// It is called before either of them.
func (r *Reader) Choose(k int) error {
	if k < 0 || k >= r.about.ScanCount() {
		return r.named(broken("scan %d was asked for, the file holds %d", k+1, r.about.ScanCount()))
	}
	if d, ok := r.dec.(selector); ok {
		d.choose(k)
	}
	return nil
}

// Next fills b with the next portion of the file, or returns io.EOF after the
// last. Any other error ends the reading.
func (r *Reader) Next(b *Batch) error {
	b.reset()
	for b.isEmpty() {
		err := r.dec.next(b)
		if err == nil {
			continue
		}
		if errors.Is(err, io.EOF) && b.isEmpty() {
			return io.EOF
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		return r.named(err)
	}
	return nil
}

// named adds the file to an error; nil stays nil.
func (r *Reader) named(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("read %s: %w", r.name, err)
}

// Close releases the file.
func (r *Reader) Close() error {
	var all error
	for _, c := range r.closers {
		all = errors.Join(all, c.Close())
	}
	r.closers = nil
	return all
}

// broken says what is wrong with the content of a file.
func broken(text string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(text, args...), scan.ErrFormat)
}

// short says what a file promises and what is there of it.
func short(text string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(text, args...), scan.ErrTruncated)
}
