package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/rs/zerolog"

	"trammel/pipeline/disk"
	"trammel/pipeline/job"
	"trammel/pipeline/par"
)

// env is what a command works with. Commands touch neither the process's streams
// nor its clock.
type env struct {
	stdin          io.Reader
	stdout, stderr io.Writer
	now            func() time.Time
	disk           *disk.Disk
	log            zerolog.Logger
	settings       settings
	json, quiet    bool
	configFile     string
}

// The exit codes, a part of the program's interface.
const (
	exitDone    = 0 // done, nothing holds the job
	exitFault   = 1 // it could not be done
	exitUsage   = 2 // wrong usage, job sheet or config
	exitHold    = 3 // done, but findings put the job on hold
	exitInvalid = 4 // a package or an archive failed verification
)

// errHold and errInvalid end a command that has said all there is to say.
var (
	errHold    = errors.New("findings put the job on hold")
	errInvalid = errors.New("the verification failed")
)

// usageError is a mistake in the command line.
type usageError struct{ error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// exitCode says what went wrong and maps it to the exit code.
func (e *env) exitCode(err error) int {
	var sheet *job.SheetError
	var usage usageError
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errHold):
		return exitHold
	case errors.Is(err, errInvalid):
		return exitInvalid
	case errors.Is(err, context.Canceled):
		e.complain(errors.New("stopped before the work was done; what was finished is kept, run the same command to go on"), exitFault, nil)
		return exitFault
	case errors.As(err, &sheet):
		e.complain(err, exitUsage, sheet.Problems)
		return exitUsage
	case errors.As(err, &usage):
		e.complain(err, exitUsage, nil)
		return exitUsage
	default:
		if fault, ok := errors.AsType[*par.Panic](err); ok {
			say(e.stderr, "%s\n", fault.Stack)
			err = fmt.Errorf("%w; what was finished is kept; please report the lines above with the job's session log", err)
		}
		e.complain(err, exitFault, nil)
		return exitFault
	}
}

// complain writes an error for a person, and in JSON mode as one document on
// stdout as well.
func (e *env) complain(err error, code int, problems []job.Problem) {
	say(e.stderr, "trammel: %s\n", err)
	if !e.json {
		return
	}
	doc := struct {
		Format   string        `json:"format"`
		Error    string        `json:"error"`
		Exit     int           `json:"exit"`
		Problems []job.Problem `json:"problems,omitempty"`
	}{"trammel-error/1", err.Error(), code, problems}
	if err := writeJSON(e.stdout, doc); err != nil {
		say(e.stderr, "trammel: write to standard output: %s\n", err)
	}
}

func writeJSON(w io.Writer, doc any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	return enc.Encode(doc)
}

// say writes to a stream for people; one that is gone cannot be told so.
func say(w io.Writer, format string, args ...any) {
	_, _ = fmt.Fprintf(w, format, args...)
}

func (e *env) stopOn(signals <-chan os.Signal, stop context.CancelFunc) {
	if _, ok := <-signals; !ok {
		return
	}
	say(e.stderr, "trammel: stopping at the next safe point; interrupt again to stop at once\n")
	stop()
	if _, ok := <-signals; ok {
		os.Exit(exitFault)
	}
}
