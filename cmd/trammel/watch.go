package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"trammel/package/handoff"
	"trammel/pipeline/job"
	"trammel/watch"
)

func newWatchCommand(e *env) *cobra.Command {
	var once bool
	c := &cobra.Command{
		Use:   "watch ROOT",
		Short: "Watch job folders and work on what arrives",
		Long: `ROOT holds job folders. Files that have settled are checked, and what is wrong or
unseen is said at once; a job whose scans are complete is built. With --once, all
that is due is done and the program ends.

EXIT STATUS
  0  stopped, or with --once: done, nothing holds a job   1  it could not be done
  2  wrong usage or config   3  with --once: findings hold a job`,
		Args: exactly("ROOT"),
		RunE: func(c *cobra.Command, args []string) error { return runWatch(c.Context(), e, args[0], once) },
	}
	c.Flags().BoolVar(&once, "once", false, "do all that is due and exit")
	return c
}

func runWatch(ctx context.Context, e *env, root string, once bool) error {
	if err := mustBeFolder(root, "ROOT"); err != nil {
		return err
	}
	held, err := watch.Run(ctx, watch.Options{
		Root: root, Once: once, Settle: e.settings.watchSettle, Sweep: e.settings.watchSweep, Quiet: e.settings.captureQuiet,
		Disk: e.disk, Log: e.log, Now: e.now, Build: e.buildFor(),
		Said: func(dir string, out handoff.Outcome) { e.sayOutcome(dir, out) },
	})
	if err != nil {
		return err
	}
	if e.json {
		jobs, err := watch.Status(root, e.now(), e.settings.captureQuiet)
		if err != nil {
			return err
		}
		if err := writeJSON(e.stdout, struct {
			Format string            `json:"format"`
			Jobs   []watch.JobStatus `json:"jobs"`
		}{"trammel-watch/1", jobs}); err != nil {
			return err
		}
	}
	if held {
		return errHold
	}
	return nil
}

// buildFor makes the function that the daemon builds a job with.
func (e *env) buildFor() watch.Build {
	return func(ctx context.Context, dir string, sheet *job.Sheet, text []byte, only watch.Extent) (handoff.Outcome, error) {
		r := handoff.Request{Dir: dir, Sheet: sheet, SheetText: text, Disk: e.disk, Log: e.log.With().Str("job", sheet.Job).Logger(), Now: func() time.Time { return e.now() },
			Version: version(), Quiet: e.settings.captureQuiet, Memory: e.settings.memoryBytes, CheckOnly: only == watch.CheckOnly, KeepReleased: true}
		return handoff.Build(ctx, r)
	}
}

func (e *env) sayOutcome(dir string, out handoff.Outcome) {
	if e.json {
		return
	}
	say(e.stdout, "== %s\n", printable(dir))
	if out.Checked != nil {
		printChecked(e, out.Checked)
	}
	if out.Package != "" {
		say(e.stdout, "%s\n", out.Package)
	}
}
