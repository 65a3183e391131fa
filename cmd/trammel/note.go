package main

import (
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"trammel/pipeline/job"
	"trammel/pipeline/journal"
)

func newNoteCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "note JOBDIR TEXT",
		Short: "Add an operator's note to the session log",
		Long: `The note goes into the session log with the time, and into the next package. A
text file dropped into JOBDIR/notes does the same.

EXIT STATUS
  0  added   1  it could not be written, or the log is broken   2  wrong usage`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usagef("note takes a job folder and a text; see trammel note --help")
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error { return runNote(e, args[0], strings.Join(args[1:], " ")) },
	}
}

func runNote(e *env, dir, text string) error {
	if err := mustBeFolder(dir, "the job folder"); err != nil {
		return err
	}
	if strings.TrimSpace(text) == "" {
		return usagef("the note is empty")
	}
	if _, _, err := openSheet(dir); err != nil {
		return err
	}
	log := filepath.Join(dir, job.LogName)
	entry := journal.Entry{Event: journal.Noted, Text: text, Version: version()}
	if err := journal.Append(e.disk, log, e.now(), entry); err != nil {
		return err
	}
	if e.json {
		return writeJSON(e.stdout, map[string]string{"format": "trammel-note/1", "log": log})
	}
	say(e.stdout, "Added to %s.\n", log)
	return nil
}
