package main

import (
	"errors"
	"io/fs"

	"github.com/spf13/cobra"

	"trammel/package/handoff"
)

func newVerifyCommand(e *env) *cobra.Command {
	return &cobra.Command{
		Use:   "verify PACKAGE",
		Short: "Check that a package is complete and unaltered, and say who released it",
		Long: `PACKAGE is a packed file or an unpacked bag. All faults are listed, nothing is
written.

EXIT STATUS
  0  complete and unaltered   1  it could not be read   2  wrong usage   4  altered, incomplete or not a package`,
		Args: exactly("PACKAGE"),
		RunE: func(_ *cobra.Command, args []string) error { return runVerify(e, args[0]) },
	}
}

// verifyDoc is the JSON document of verify.
type verifyDoc struct {
	Format string `json:"format"`
	handoff.Verdict
}

func runVerify(e *env, file string) error {
	v, err := handoff.Verify(file)
	if errors.Is(err, fs.ErrNotExist) {
		return usagef("the package %s does not exist", file)
	}
	if err != nil {
		return err
	}
	if e.json {
		if err := writeJSON(e.stdout, verifyDoc{"trammel-verify/1", v}); err != nil {
			return err
		}
	} else {
		printVerdict(e, file, v)
	}
	if !v.Valid {
		return errInvalid
	}
	return nil
}

func printVerdict(e *env, file string, v handoff.Verdict) {
	for _, w := range v.Warnings {
		say(e.stdout, "warning  %s %s\n", printable(w.Path), printable(w.Text))
	}
	for _, f := range v.Faults {
		say(e.stdout, "FAULT    %s %s\n", printable(f.Path), printable(f.Text))
	}
	if !v.Valid {
		say(e.stdout, "%s is NOT a whole, unaltered package: %d faults. To do: do not use it; get it again from the sender.\n", file, len(v.Faults))
		return
	}
	say(e.stdout, "%s is complete and unaltered: %d files, %d bytes, SHA-512.\n", file, v.Files, v.Bytes)
	if len(v.ReleasedBy) == 0 {
		say(e.stdout, "It carries no signature and no release: integrity is shown, not origin.\n")
	}
	for _, r := range v.ReleasedBy {
		say(e.stdout, "Its log records: %s released by %s.\n", printable(r.Subject), printable(r.By))
	}
}
