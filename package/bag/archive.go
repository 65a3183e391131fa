package bag

import (
	"archive/tar"
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"
	"time"

	"github.com/klauspost/compress/flate"
	"github.com/klauspost/compress/zstd"
	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// epoch is the time of all entries: the first that a zip can hold.
var epoch = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

func newArchive(w io.Writer, format string) (archive, error) {
	switch format {
	case "zip":
		z := zip.NewWriter(w)
		z.RegisterCompressor(zip.Deflate, func(w io.Writer) (io.WriteCloser, error) { return flate.NewWriter(w, flate.BestSpeed) })
		return &zipArchive{z}, nil
	case "tar.zst":
		// One encoder at a fixed level: the same bytes whatever the machine.
		e, err := zstd.NewWriter(w, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedDefault))
		if err != nil {
			return nil, err
		}
		return &tarArchive{tar.NewWriter(e), e}, nil
	}
	return nil, fmt.Errorf("%q is not a package format; it is zip or tar.zst", format)
}

type zipArchive struct{ z *zip.Writer }

func (a *zipArchive) add(name string, content io.Reader, _ int64) error {
	h := &zip.FileHeader{Name: name, Method: zip.Deflate, Modified: epoch}
	if packedAlready(name) {
		h.Method = zip.Store
	}
	h.SetMode(0o644)
	w, err := a.z.CreateHeader(h)
	if err != nil {
		return err
	}
	_, err = io.Copy(w, content)
	return err
}

func (a *zipArchive) close() error { return a.z.Close() }

// packedAlready names what does not shrink a second time.
func packedAlready(name string) bool {
	switch strings.ToLower(path.Ext(name)) {
	case ".png", ".jpg", ".pdf", ".zip", ".gz", ".zst", ".laz":
		return true
	}
	return false
}

type tarArchive struct {
	t *tar.Writer
	e *zstd.Encoder
}

func (a *tarArchive) add(name string, content io.Reader, bytes int64) error {
	h := &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: bytes, Mode: 0o644, ModTime: epoch, Format: tar.FormatPAX}
	if err := a.t.WriteHeader(h); err != nil {
		return err
	}
	_, err := io.Copy(a.t, content)
	return err
}

func (a *tarArchive) close() error {
	return errors.Join(a.t.Close(), a.e.Close())
}

// sizeOf returns how long a file or buffer is; a tar must know before it is read.
func sizeOf(r io.Reader) (int64, error) {
	switch s := r.(type) {
	case interface{ Stat() (fs.FileInfo, error) }:
		info, err := s.Stat()
		if err != nil {
			return 0, err
		}
		return info.Size(), nil
	case interface{ Len() int }:
		return int64(s.Len()), nil
	}
	return 0, errors.New("its size is not known before it is read")
}

// fold returns the form in which two names are the same to a file system that
// ignores case and Unicode normalisation.
func fold(name string) string { return cases.Fold().String(norm.NFC.String(name)) }
