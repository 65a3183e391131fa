package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"trammel/pipeline/job"
)

func newNewCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "new JOBDIR",
		Short: "Write a commented job sheet and the empty folders of a job",
		Long: `Writes JOBDIR/job.yaml with every key explained, and the drop folders beside it.
A job sheet that is there already is left alone.

EXIT STATUS
  0  written   1  it could not be written   2  wrong usage, or a sheet is there already`,
		Args: exactly("JOBDIR"),
		RunE: func(_ *cobra.Command, args []string) error { return runNew(e, args[0]) },
	}
}

func runNew(e *env, dir string) error {
	sheet := filepath.Join(dir, job.SheetName)
	if _, err := os.Lstat(sheet); err == nil {
		return usagef("%s exists already; edit it, or choose another folder", sheet)
	} else if !errors.Is(err, os.ErrNotExist) {
		return err
	}
	for _, d := range []string{"scans/tripod", "scans/hand", job.NotesDir} {
		if err := e.disk.Mkdir(filepath.Join(dir, filepath.FromSlash(d))); err != nil {
			return fmt.Errorf("make the folders of the job: %w", err)
		}
	}
	text := job.Template(jobNameOf(dir))
	if err := e.disk.Create(sheet, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }); err != nil {
		return fmt.Errorf("write the job sheet: %w", err)
	}
	if e.json {
		return writeJSON(e.stdout, map[string]string{"format": "trammel-new/1", "sheet": sheet})
	}
	say(e.stdout, "Wrote %s.\nNext: fill it in, copy the scans into the folders that it names, then run: trammel check %s\n", sheet, dir)
	return nil
}

// jobNameOf turns a folder name into a job name.
func jobNameOf(dir string) string {
	abs, err := filepath.Abs(dir)
	if err != nil {
		abs = dir
	}
	name := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_.", r) {
			return r
		}
		return '-'
	}, filepath.Base(abs))
	if name = strings.Trim(name, ".-"); name == "" {
		return "job"
	}
	return name
}
