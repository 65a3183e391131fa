package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"trammel/package/handoff"
	"trammel/pipeline/simulate"
)

func newDemoCommand(e *env) *cobra.Command {
	var o demoOptions
	c := &cobra.Command{
		Use:   "demo DIR",
		Short: "Simulate a small capture, work through it and verify the package",
		Long: `Writes an invented capture below DIR (a trailed orchard sprayer that gets a new
boom), works through it like a real job, verifies the package and says where the
report is. DIR/truth.json holds what the simulation knows and the program does not
look at.

EXIT STATUS
  0  done   1  it could not be done   2  wrong usage   3  findings hold the job   4  the package is not whole`,
		Args: exactly("DIR"),
		RunE: func(c *cobra.Command, args []string) error { return runDemo(c.Context(), e, args[0], o) },
	}
	f := c.Flags()
	f.BoolVar(&o.writeOnly, "write-only", false, "stop after writing the capture")
	f.IntVar(&o.SetUps, "set-ups", simulate.DefaultSetUps, "how many tripod set-ups")
	f.Float64Var(&o.Step, "step", simulate.DefaultStep, "angular step of the tripod scanner in degrees")
	f.Uint64Var(&o.Seed, "seed", 1, "seed of noise and set-up positions")
	return c
}

type demoOptions struct {
	writeOnly bool
	simulate.DemoOptions
}

func (o demoOptions) validate() error {
	if o.SetUps < 2 || o.SetUps > 64 {
		return usagef("--set-ups %d: write 2 to 64", o.SetUps)
	}
	if o.Step < 0.005 || o.Step > 2 {
		return usagef("--step %g: write 0.005 to 2 degrees", o.Step)
	}
	return nil
}

func runDemo(ctx context.Context, e *env, dir string, o demoOptions) error {
	if err := o.validate(); err != nil {
		return err
	}
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if len(entries) > 0 {
		return usagef("%s is not empty; name a new folder, so that nothing of yours is overwritten", dir)
	}
	p := newProgress(e)
	p.step("simulating the capture", dir, 0, 1)
	_, err = simulate.Demo(ctx, dir, e.disk, o.DemoOptions)
	p.done()
	if err != nil {
		return err
	}
	if o.writeOnly {
		return sayWritten(e, dir)
	}
	return workThrough(ctx, e, dir)
}

func sayWritten(e *env, dir string) error {
	if e.json {
		return writeJSON(e.stdout, map[string]string{"format": "trammel-demo/1", "job": dir})
	}
	say(e.stdout, "Wrote an invented capture to %s. Next: trammel build %s\n", dir, dir)
	return nil
}

// demoDoc is the JSON document of a demo that was worked through.
type demoDoc struct {
	Format string `json:"format"`
	handoff.Outcome
	Verified bool `json:"verified"`
}

// sayHeld ends a demo that came to no package.
func sayHeld(e *env, out handoff.Outcome) error {
	if e.json {
		if err := writeJSON(e.stdout, demoDoc{Format: "trammel-demo/1", Outcome: out}); err != nil {
			return err
		}
		return errHold
	}
	printOutcome(e, out)
	return errHold
}

// workThrough builds the demo job and verifies what came out.
func workThrough(ctx context.Context, e *env, dir string) error {
	out, err := build(ctx, e, dir)
	if err != nil {
		return err
	}
	if out.Package == "" { // too coarse a scan shows no sphere that could tie anything
		return sayHeld(e, out)
	}
	v, err := handoff.Verify(out.Package)
	if err != nil {
		return err
	}
	if e.json {
		err = writeJSON(e.stdout, demoDoc{"trammel-demo/1", out, v.Valid})
	} else {
		printOutcome(e, out)
		printVerdict(e, out.Package, v)
		say(e.stdout, "The report is %s in the package; unpack it with any zip program.\nThis capture is invented: a simulated scanner and an imagined machine.\n",
			filepath.ToSlash(filepath.Join(v.Name, "data/report/datum-report.html")))
	}
	switch {
	case err != nil:
		return err
	case !v.Valid:
		return errInvalid
	case out.Held:
		return errHold
	}
	return nil
}
