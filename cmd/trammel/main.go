// Command trammel turns the scans of a large object into one measured mesh, a
// datum report and a session log, handed over as a checksummed package.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"trammel/pipeline/par"
)

func main() { os.Exit(run(os.Args[1:], realEnv())) }

// realEnv is what a command sees of the machine.
func realEnv() *env {
	return &env{stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr, now: time.Now}
}

// run executes one command line and returns the exit code. The first interrupt
// asks the work to stop at the next safe point, the second ends the process.
func run(args []string, e *env) int {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	signals := make(chan os.Signal, 2) // one to stop cleanly, one to stop now
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	defer signal.Stop(signals)
	go e.stopOn(signals, stop)

	root := newRootCommand(e)
	root.SetArgs(args)
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error {
		e.json = e.json || slices.Contains(args, "--json") // may stand behind the flag that is wrong
		return usageError{err}
	})
	return e.exitCode(guarded(func() error { return root.ExecuteContext(ctx) }))
}

// guarded turns a panic into an error, so that a fault of the program is told as
// one and nothing is lost of what was written before it.
func guarded(f func() error) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &par.Panic{Value: v, Stack: debug.Stack()}
		}
	}()
	return f()
}
