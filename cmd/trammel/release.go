package main

import (
	"errors"
	"strings"

	"github.com/spf13/cobra"

	"trammel/package/handoff"
)

func newReleaseCommand(e *env) *cobra.Command {
	var o handoff.ReleaseOptions
	var accept []string
	c := &cobra.Command{
		Use:   "release JOBDIR --by NAME",
		Short: "Sign the newest package off",
		Long: `A person signs the newest package off. That is refused while a finding holds the
job, unless --accept CODE:SUBJECT --why TEXT accepts that finding by name. The
release goes into the session log and the next revision's report.

EXIT STATUS
  0  released   1  it could not be done   2  wrong usage   3  refused: findings hold the job   4  the package is not whole`,
		Args: exactly("JOBDIR"),
		RunE: func(_ *cobra.Command, args []string) error {
			for _, a := range accept {
				code, subject, ok := strings.Cut(a, ":")
				if !ok || code == "" {
					return usagef("--accept %s: write CODE:SUBJECT, as the finding has them", a)
				}
				o.Accept = append(o.Accept, handoff.Accept{Code: code, Subject: subject})
			}
			return runRelease(e, args[0], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.By, "by", "", "who releases")
	f.StringArrayVar(&accept, "accept", nil, "accept a finding, as CODE:SUBJECT; may be given several times")
	f.StringVar(&o.Why, "why", "", "why the findings are accepted")
	return c
}

func runRelease(e *env, dir string, o handoff.ReleaseOptions) error {
	if err := mustBeFolder(dir, "the job folder"); err != nil {
		return err
	}
	if strings.TrimSpace(o.By) == "" {
		return usagef("--by says who releases, for example --by \"M. Keller\"")
	}
	if len(o.Accept) > 0 && strings.TrimSpace(o.Why) == "" {
		return usagef("--accept needs --why: the reason goes into the session log and the report")
	}
	sheet, _, err := openSheet(dir)
	if err != nil {
		return err
	}
	r, err := handoff.Release(e.disk, dir, sheet, e.now(), version(), o)
	if errors.Is(err, handoff.ErrNoFinding) {
		return usageError{err}
	}
	if err != nil {
		return err
	}
	if e.json {
		if err := writeJSON(e.stdout, struct {
			Format string `json:"format"`
			handoff.ReleaseResult
		}{"trammel-release/1", r}); err != nil {
			return err
		}
	} else {
		printRelease(e, r)
	}
	switch {
	case !r.Whole:
		return errInvalid
	case !r.Released:
		return errHold
	}
	return nil
}

func printRelease(e *env, r handoff.ReleaseResult) {
	if !r.Whole {
		say(e.stdout, "%s is not released: it is not a whole, unaltered package. To do: run trammel verify on it, then trammel build.\n", r.Package)
		return
	}
	if r.Released {
		say(e.stdout, "%s is released by %s.\n", r.Package, r.By)
		return
	}
	printFindings(e, r.Holding)
	say(e.stdout, "%s is not released: on hold by %s. To do: settle and build again, or accept each with --accept CODE:SUBJECT --why TEXT.\n", r.Package, counted(len(r.Holding), "finding"))
}
