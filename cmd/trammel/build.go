package main

import (
	"context"

	"github.com/spf13/cobra"

	"trammel/package/handoff"
)

func newBuildCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "build JOBDIR",
		Short: "Work through a job and pack the result",
		Long: `Checks, registers, fuses, reduces, measures, reports and packs what lies in JOBDIR,
and prints the path of the package last. Raw scans are never touched. Results are
kept in JOBDIR/work: after an interruption the same command goes on, and when
nothing has changed nothing is computed and no new package is made.

EXIT STATUS
  0  packed, nothing holds the job      1  it could not be done   2  wrong usage or job sheet
  3  findings hold the job; the package, if one could be made, says so`,
		Args: exactly("JOBDIR"),
		RunE: func(c *cobra.Command, args []string) error { return runBuild(c.Context(), e, args[0]) },
	}
}

// buildDoc is the JSON document of build.
type buildDoc struct {
	Format string `json:"format"`
	handoff.Outcome
}

func runBuild(ctx context.Context, e *env, dir string) error {
	out, err := build(ctx, e, dir)
	if err != nil {
		return err
	}
	if e.json {
		if err := writeJSON(e.stdout, buildDoc{"trammel-build/1", out}); err != nil {
			return err
		}
	} else {
		printOutcome(e, out)
	}
	if out.Held {
		return errHold
	}
	return nil
}

func build(ctx context.Context, e *env, dir string) (handoff.Outcome, error) {
	sheet, text, err := openSheet(dir)
	if err != nil {
		return handoff.Outcome{}, err
	}
	progress := newProgress(e)
	defer progress.done()
	return handoff.Build(ctx, handoff.Request{
		Dir: dir, Sheet: sheet, SheetText: text, Disk: e.disk, Log: e.log, Now: e.now, Version: version(),
		Quiet: e.settings.captureQuiet, Memory: e.settings.memoryBytes, Progress: progress.step,
	})
}

func printOutcome(e *env, out handoff.Outcome) {
	if out.Built != nil {
		printChecked(e, &out.Built.Checked)
		printMeasured(e, out.Built)
	}
	say(e.stdout, "%d stages computed, %d taken from work/.\n", out.Computed, out.Reused)
	switch {
	case out.Package == "":
		say(e.stdout, "No package was made: there is no surface to hand over.\n")
		return
	case out.Unchanged:
		say(e.stdout, "Nothing has changed since revision %d: nothing was computed that was there, no new package was made.\n", out.Revision)
	}
	say(e.stdout, "%s\n", out.Package)
}
