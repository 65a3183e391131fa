package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/viper"
	"golang.org/x/term"

	"trammel/pipeline/job"
)

// settings are the program's own settings, read once from the config file and
// the environment.
type settings struct {
	captureQuiet time.Duration // how long after its newest scan a job may still be in capture
	watchSettle  time.Duration // how long a file must not have changed to count as complete
	watchSweep   time.Duration // how often folders are listed, whatever events say
	memoryBytes  int64         // most memory that a stage may plan for; 0 where the machine's is not known either
	logLevel     zerolog.Level
}

// setting is one key: its default, and what it is for. The flag of the same
// meaning, if a command has one, wins over the environment and the file.
type setting struct{ key, value, help string }

// knownSettings is the whole list, in the order of the example config.
func knownSettings() []setting {
	return []setting{
		{"capture.quiet", "2h", "a job counts as still being captured while its newest scan is younger than this"},
		{"watch.settle", "3s", "a file that has not changed for this long is complete"},
		{"watch.sweep", "30s", "how often job folders are listed, whatever events say"},
		{"memory", "0", "most memory a stage may plan for, such as 8GB; 0 is half the machine's"},
		{"log.level", "info", "error, warn, info or debug"},
	}
}

// readSettings merges defaults, the config file and TRAMMEL_… variables.
func readSettings(file string) (settings, error) {
	v := viper.New()
	v.SetEnvPrefix("trammel")
	v.SetEnvKeyReplacer(strings.NewReplacer(".", "_"))
	v.AutomaticEnv()
	var keys []string
	for _, s := range knownSettings() {
		v.SetDefault(s.key, s.value)
		keys = append(keys, s.key)
	}
	if file != "" {
		if err := readConfig(v, file, keys); err != nil {
			return settings{}, err
		}
	}
	return decodeSettings(v, file)
}

func readConfig(v *viper.Viper, file string, known []string) error {
	v.SetConfigFile(file)
	err := v.ReadInConfig()
	switch {
	case errors.Is(err, os.ErrNotExist):
		return usagef("the config file %s does not exist", file)
	case err != nil:
		return usagef("config file %s: %s", file, err)
	}
	return unknownKeys(v, file, known)
}

func unknownKeys(v *viper.Viper, file string, known []string) error {
	var problems []job.Problem
	for _, k := range v.AllKeys() {
		if !slices.Contains(known, k) {
			problems = append(problems, job.Problem{Key: k, Wrong: "unknown setting", Right: "the settings are " + strings.Join(known, ", ")})
		}
	}
	if problems == nil {
		return nil
	}
	return &job.SheetError{File: file, Problems: problems}
}

// decoding collects what is wrong with the values.
type decoding struct {
	v        *viper.Viper
	problems []job.Problem
}

func decodeSettings(v *viper.Viper, file string) (settings, error) {
	d := decoding{v: v}
	s := settings{
		captureQuiet: d.duration("capture.quiet"),
		watchSettle:  d.duration("watch.settle"),
		watchSweep:   d.duration("watch.sweep"),
		memoryBytes:  orHalf(d.size("memory")),
	}
	level, err := zerolog.ParseLevel(v.GetString("log.level"))
	if err != nil {
		d.bad("log.level", "write error, warn, info or debug")
	}
	s.logLevel = level
	if d.problems != nil {
		if file == "" {
			file = "environment"
		}
		return s, &job.SheetError{File: file, Problems: d.problems}
	}
	return s, nil
}

func (d *decoding) bad(key, right string) {
	d.problems = append(d.problems, job.Problem{Key: key, Wrong: fmt.Sprintf("%q cannot be used", d.v.GetString(key)), Right: right})
}

func (d *decoding) duration(key string) time.Duration {
	t, err := time.ParseDuration(d.v.GetString(key))
	if err != nil || t < 0 {
		d.bad(key, "write a duration such as 30s, 10m or 2h")
	}
	return t
}

// size reads 0, or a number of bytes with a unit of 1000s.
func (d *decoding) size(key string) int64 {
	text := strings.ToUpper(strings.TrimSpace(d.v.GetString(key)))
	factor := 1.0
	for _, u := range []struct {
		suffix string
		bytes  float64
	}{{"KB", 1e3}, {"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}, {"B", 1}} {
		if rest, ok := strings.CutSuffix(text, u.suffix); ok {
			text, factor = strings.TrimSpace(rest), u.bytes
			break
		}
	}
	n, err := strconv.ParseFloat(text, 64)
	if err != nil || n < 0 || n*factor > 1e15 {
		d.bad(key, "write a size such as 8GB, or 0 for half the machine's")
		return 0
	}
	return int64(n * factor)
}

// isTerminal reports whether a person watches the stream.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// orHalf takes half of the machine's memory where the setting names none.
func orHalf(bytes int64) int64 {
	if bytes == 0 {
		return machineMemory() / 2
	}
	return bytes
}

// leastMemory is what the program needs for itself: below it the collector would
// run without an end and give nothing back.
const leastMemory = 256e6

// outsideMemory is what the process takes that the collector does not see: the program
// itself, what is mapped of it, and what the system keeps for it.
const outsideMemory = 32e6

// holdMemory makes the garbage collector work harder before the process outgrows
// what the stages may plan for; a stage that truly needs more still gets it. What
// GOMEMLIMIT says goes before.
func holdMemory(bytes int64) {
	if bytes > 0 && os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(max(bytes-outsideMemory, leastMemory))
	}
}
