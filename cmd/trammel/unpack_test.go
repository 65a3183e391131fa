package main

import (
	"archive/tar"
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/klauspost/compress/zstd"

	"trammel/pipeline/disk"
)

// unpack extracts a package with nothing of the program's own, as a recipient
// would.
func unpack(pack, dir string) error {
	if strings.HasSuffix(pack, ".zip") {
		r, err := zip.OpenReader(pack)
		if err != nil {
			return err
		}
		return errors.Join(os.CopyFS(dir, r), r.Close())
	}
	f, err := os.Open(pack)
	if err != nil {
		return err
	}
	z, err := zstd.NewReader(f)
	if err != nil {
		return errors.Join(err, f.Close())
	}
	defer z.Close()
	return errors.Join(untar(tar.NewReader(z), dir), f.Close())
}

func untar(t *tar.Reader, dir string) error {
	for {
		h, err := t.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if !filepath.IsLocal(h.Name) {
			return fmt.Errorf("%q leaves the folder", h.Name)
		}
		if h.Typeflag == tar.TypeDir {
			continue
		}
		content, err := io.ReadAll(t)
		if err != nil {
			return err
		}
		file := filepath.Join(dir, filepath.FromSlash(h.Name))
		if err := os.MkdirAll(filepath.Dir(file), 0o750); err != nil {
			return err
		}
		if err := os.WriteFile(file, content, 0o600); err != nil {
			return err
		}
	}
}

// holdLock takes a lock as another process of the program would.
func holdLock(file string) (release func() error, err error) {
	release, _, err = disk.New(nil).Hold(file, fmt.Sprintf("process %d", os.Getpid()))
	return release, err
}
