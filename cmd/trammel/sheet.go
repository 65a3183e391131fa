package main

import (
	"errors"
	"io/fs"
	"path/filepath"

	"trammel/pipeline/job"
)

// openSheet reads the sheet of a job folder; a missing one is a usage error that
// says how to get one.
func openSheet(dir string) (*job.Sheet, []byte, error) {
	path := filepath.Join(dir, job.SheetName)
	s, text, err := job.ReadSheet(path)
	if errors.Is(err, fs.ErrNotExist) {
		if e := mustBeFolder(dir, "the job folder"); e != nil {
			return nil, nil, e
		}
		return nil, nil, usagef("%s has no job sheet; write one with: trammel new %s", dir, dir)
	}
	return s, text, err
}
