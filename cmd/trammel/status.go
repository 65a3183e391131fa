package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"trammel/watch"
)

func newStatusCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "status ROOT",
		Short: "Show a table of the jobs below a folder",
		Long: `ROOT holds job folders. For each: its state, scans in and expected, findings and
the last package. Nothing is computed or written.

EXIT STATUS
  0  shown   1  ROOT could not be read   2  wrong usage`,
		Args: exactly("ROOT"),
		RunE: func(_ *cobra.Command, args []string) error { return runStatus(e, args[0]) },
	}
}

func runStatus(e *env, root string) error {
	if err := mustBeFolder(root, "ROOT"); err != nil {
		return err
	}
	jobs, err := watch.Status(root, e.now(), e.settings.captureQuiet)
	if err != nil {
		return err
	}
	if e.json {
		return writeJSON(e.stdout, struct {
			Format string            `json:"format"`
			Jobs   []watch.JobStatus `json:"jobs"`
		}{"trammel-status/1", jobs})
	}
	w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
	say(w, "JOB\tSTATE\tSCANS\tHOLDS\tWARNINGS\tLAST PACKAGE\n")
	for _, j := range jobs {
		say(w, "%s\t%s\t%s\t%d\t%d\t%s\n", printable(j.Job), j.State, scansOf(j), j.Holds, j.Warnings, dash(j.Package))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, j := range jobs {
		if j.Problem != "" {
			say(e.stdout, "%s: %s\n", printable(j.Folder), strings.ReplaceAll(j.Problem, "\n", "; "))
		}
	}
	return nil
}

func scansOf(j watch.JobStatus) string {
	if j.Expected == 0 {
		return fmt.Sprint(j.Scans)
	}
	return fmt.Sprintf("%d/%d", j.Scans, j.Expected)
}

func dash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}
