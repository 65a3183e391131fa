package main

import (
	"errors"
	"os"
	"runtime/debug"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"trammel/pipeline/disk"
)

// newRootCommand lists all commands.
func newRootCommand(e *env) *cobra.Command {
	root := &cobra.Command{
		Use:   "trammel",
		Short: "From raw scans of a large object to one measured mesh, a datum report and a verified package",
		Long: `Trammel watches job folders, checks raw scans as they arrive, finds the reference
spheres, ties the set-ups together, fuses everything into one mesh, measures the
mount points in the object's datum and hands over a checksummed package.

EXIT STATUS
  0  done, nothing holds the job
  1  it could not be done
  2  wrong usage, or a job sheet or config that is wrong
  3  done, but findings put the job on hold
  4  a package or an archive failed verification

` + cautions,
		Version:           version(),
		SilenceErrors:     true,
		SilenceUsage:      true,
		Args:              noCommand,
		CompletionOptions: cobra.CompletionOptions{DisableDefaultCmd: true},
		RunE: func(c *cobra.Command, _ []string) error {
			if e.json {
				return usagef("name a command; see trammel --help")
			}
			if err := c.Help(); err != nil {
				return err
			}
			return usagef("name a command")
		},
		PersistentPreRunE: func(*cobra.Command, []string) error { return e.prepare() },
	}
	root.SetOut(e.stdout)
	root.SetErr(e.stderr)
	root.SetIn(e.stdin)
	f := root.PersistentFlags()
	f.BoolVar(&e.json, "json", false, "write one JSON document to standard output and nothing else there")
	f.BoolVar(&e.quiet, "quiet", false, "no progress and no log on standard error, only errors")
	f.StringVar(&e.configFile, "config", "", "read settings from this file")
	root.SuggestionsMinimumDistance = 2 // two letters swapped
	for _, c := range []*cobra.Command{
		newDemoCommand(e), newNewCommand(e), newCheckCommand(e), newBuildCommand(e), newWatchCommand(e),
		newNoteCommand(e), newReleaseCommand(e), newStatusCommand(e), newVerifyCommand(e),
	} {
		root.AddCommand(c)
	}
	return root
}

// noCommand is asked about what stands where a command belongs and is none.
func noCommand(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	if near := c.SuggestionsFor(args[0]); len(near) > 0 {
		return usagef("%q is not a command; did you mean %q?", args[0], near[0])
	}
	return usagef("%q is not a command; see trammel --help", args[0])
}

// prepare reads the settings and makes the logger before any command runs.
func (e *env) prepare() error {
	s, err := readSettings(e.configFile)
	if err != nil {
		return err
	}
	e.settings = s
	holdMemory(s.memoryBytes)
	level := s.logLevel
	if e.quiet {
		level = zerolog.ErrorLevel
	}
	e.log = zerolog.New(zerolog.ConsoleWriter{Out: e.stderr, NoColor: !isTerminal(e.stderr), TimeFormat: "15:04:05"}).
		Level(level).With().Timestamp().Logger()
	if e.disk == nil {
		e.disk = disk.New(nil)
	}
	return nil
}

// exactly makes cobra's complaint about arguments a usage error.
func exactly(names ...string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != len(names) {
			return usagef("%s takes %d arguments (%s), not %d; see trammel %s --help", c.Name(), len(names), c.Use, len(args), c.Name())
		}
		return nil
	}
}

// version describes the build: tag or revision, and whether the tree was changed.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v, revision, dirty := info.Main.Version, "", ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			revision = s.Value
		case "vcs.modified":
			if s.Value == "true" {
				dirty = "+changes"
			}
		}
	}
	if v == "" || v == "(devel)" {
		v = "devel"
		if len(revision) >= 12 {
			v += "-" + revision[:12] + dirty
		}
	}
	return v
}

// mustBeFolder explains a missing folder before any work begins.
func mustBeFolder(path, what string) error {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return usagef("%s %s does not exist", what, path)
	case err != nil:
		return err
	case !info.IsDir():
		return usagef("%s %s is not a folder", what, path)
	}
	return nil
}

// cautions stand in the help and in every report.
const cautions = `CAUTIONS
Laser scanners: follow the class label and the maker's instructions. Objects on
stands: use rated stands on level ground, never rely on jacks alone, and keep out
from under a raised object that is not secured. The numbers serve the design of
parts; they are no certificate of strength or roadworthiness: local codes and
licensed practice decide there.
`
