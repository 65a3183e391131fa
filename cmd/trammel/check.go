package main

import (
	"context"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode"

	"github.com/spf13/cobra"

	"trammel/package/report"
	"trammel/pipeline"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/picture"
	"trammel/pipeline/stage"
)

func newCheckCommand(e *env) *cobra.Command {
	var o checkOptions
	c := &cobra.Command{
		Use:   "check PATH...",
		Short: "Give a verdict on scan files, or on one job folder",
		Long: `PATH is one job folder, or any number of scan files. For each file: whether it is
whole, what it is, its units, and the reference spheres in it; for a job also how
the set-ups tie together, what is missing and what to do next. What a build or
the daemon has found out already is taken from work/. Builds nothing, and writes nothing
but the pictures that --picture asks for.

EXIT STATUS
  0  nothing holds the job   1  it could not be done   2  wrong usage or job sheet   3  findings hold the job`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usagef("check takes scan files or one job folder; see trammel check --help")
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error { return runCheck(c.Context(), e, args, o) },
	}
	c.Flags().StringVar(&o.diameter, "diameter", "", "calibrated diameters of the reference spheres, for bare files, such as \"145 mm\" or \"145 mm, 200 mm\"")
	c.Flags().StringVar(&o.units, "units", "", "what bare files are in that do not say so themselves: mm, cm, m, in or ft")
	c.Flags().BoolVar(&o.explain, "explain", false, "list every sphere in full, and every round thing that was turned down with the reason")
	c.Flags().StringVar(&o.pictures, "picture", "", "folder to write pictures of each scan into: a range image and a view from above of each as PNG, and for a job the plan of set-ups and spheres, what was not seen of its object, and how far it is from its own mirror image where that holds the datum")
	return c
}

type checkOptions struct {
	diameter, units, pictures string
	explain                   bool
}

// bare turns the flags into what a job sheet would say of bare files.
func (o checkOptions) bare() (pipeline.Bare, error) {
	var b pipeline.Bare
	if o.units != "" {
		u, err := length.ParseUnit(o.units)
		if err != nil {
			return b, usagef("--units: %s", err)
		}
		b.Units = u
	}
	for one := range strings.SplitSeq(o.diameter, ",") {
		if o.diameter == "" {
			break
		}
		mm, err := length.Parse(strings.TrimSpace(one))
		if err != nil {
			return b, usagef("--diameter: %s", err)
		}
		if mm <= 0 {
			return b, usagef("--diameter: %s is no diameter", one)
		}
		b.Spheres = append(b.Spheres, job.Spheres{Diameter: mm, Tolerance: job.DefaultTolerance})
	}
	return b, nil
}

func runCheck(ctx context.Context, e *env, paths []string, o checkOptions) error {
	checked, err := check(ctx, e, paths, o)
	if err != nil {
		return err
	}
	if o.pictures != "" {
		if err := writePlan(e, checked, o.pictures); err != nil {
			return err
		}
		if err := writePictures(ctx, e, checked, o.pictures); err != nil {
			return err
		}
	}
	if e.json {
		if err := writeJSON(e.stdout, report.NewCheck(checked)); err != nil {
			return err
		}
	} else {
		printChecked(e, checked)
		if o.explain {
			printSpheres(e, checked.Files)
			printStrengths(e, checked)
		}
	}
	if checked.Hold() {
		return errHold
	}
	return nil
}

func check(ctx context.Context, e *env, paths []string, o checkOptions) (*pipeline.Checked, error) {
	progress := newProgress(e)
	defer progress.done()
	work := pipeline.Options{Now: e.now(), Quiet: e.settings.captureQuiet, Memory: e.settings.memoryBytes, Progress: progress.step}
	folders := 0
	for _, p := range paths {
		info, err := os.Stat(p)
		if os.IsNotExist(err) {
			return nil, usagef("%s does not exist", p)
		}
		if err != nil {
			return nil, err
		}
		if info.IsDir() {
			folders++
		}
	}
	switch {
	case folders == 0:
		b, err := o.bare()
		if err != nil {
			return nil, err
		}
		return pipeline.CheckFiles(ctx, paths, b, work)
	case len(paths) == 1:
		sheet, _, err := openSheet(paths[0])
		if err != nil {
			return nil, err
		}
		work.Store = stage.Reading(filepath.Join(paths[0], job.WorkDir))
		return pipeline.Check(ctx, paths[0], sheet, work)
	}
	return nil, usagef("check takes scan files, or one job folder alone")
}

// writePictures writes the views of every scan into the folder, named after the
// scan's path.
func writePictures(ctx context.Context, e *env, c *pipeline.Checked, folder string) error {
	if err := e.disk.Mkdir(folder); err != nil {
		return err
	}
	progress := newProgress(e)
	defer progress.done()
	for i := range c.Files {
		progress.step("drawing", c.Files[i].Path, i, len(c.Files))
		views, err := c.Show(ctx, i)
		if err != nil {
			return err
		}
		for _, v := range views {
			file := filepath.Join(folder, pictureName(c.Files[i].Path)+"-"+v.Name+".png")
			if err := e.disk.Write(file, func(w io.Writer) error { return picture.EncodePNG(w, v.Image) }); err != nil {
				return err
			}
			say(e.stderr, "wrote %s\n", file)
		}
	}
	return nil
}

// writePlan draws a job's set-ups and spheres from above and what was not seen of its
// object, where there is any.
func writePlan(e *env, c *pipeline.Checked, folder string) error {
	plan, err := report.DrawPlan(c)
	if err != nil {
		return err
	}
	gaps, err := report.DrawGaps(c)
	if err != nil {
		return err
	}
	asymmetry, err := report.DrawAsymmetry(c)
	if err != nil {
		return err
	}
	drawn := map[string][]byte{"plan.svg": plan.SVG, "plan.png": plan.PNG}
	if gaps != nil {
		drawn["gaps.png"] = gaps.PNG
	}
	if asymmetry != nil {
		drawn["asymmetry.png"] = asymmetry.PNG
	}
	for _, name := range slices.Sorted(maps.Keys(drawn)) {
		if len(drawn[name]) == 0 {
			continue
		}
		if err := e.disk.Mkdir(folder); err != nil {
			return err
		}
		file := filepath.Join(folder, name)
		if err := e.disk.Write(file, func(w io.Writer) error { _, err := w.Write(drawn[name]); return err }); err != nil {
			return err
		}
		say(e.stderr, "wrote %s\n", file)
	}
	return nil
}

// pictureName makes a file name of a scan's path.
func pictureName(path string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("-_.", r) {
			return r
		}
		return '-'
	}, strings.TrimLeft(path, "./"))
}
