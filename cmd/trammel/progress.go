package main

import (
	"fmt"
	"strings"
	"sync"
	"unicode/utf8"
)

// progress shows how far the work is: a bar on a terminal, a line for each new
// item elsewhere, nothing when the command is quiet. The bar is one line that is
// written over, since a step is all that is worked on at a time.
type progress struct {
	e        *env
	terminal bool

	mu    sync.Mutex // guards what follows
	last  string     // what was shown
	drawn bool       // a bar stands on the terminal's last line
}

func newProgress(e *env) *progress { return &progress{e: e, terminal: isTerminal(e.stderr)} }

// step tells that item done of total of a step is being worked on.
func (p *progress) step(name, subject string, done, total int) {
	if p.e.quiet {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	line := name
	if total > 1 {
		line = fmt.Sprintf("%s (%s)", name, printable(subject))
	}
	if line == p.last {
		return
	}
	p.last = line
	if !p.terminal {
		say(p.e.stderr, "trammel: %s\n", line)
		return
	}
	say(p.e.stderr, "\r\x1b[K%s", bar(line, done, total))
	p.drawn = true
}

const (
	barWidth  = 24
	lineWidth = 79 // of the narrowest usual terminal, less one, so that the line never wraps
)

// bar draws a line such as "[########................]  3/9  fusing (s03.ply)".
func bar(line string, done, total int) string {
	total = max(total, 1)
	full := min(done, total) * barWidth / total
	text := fmt.Sprintf("[%s%s] %2d/%d  %s", strings.Repeat("#", full), strings.Repeat(".", barWidth-full), done, total, line)
	for utf8.RuneCountInString(text) > lineWidth {
		_, n := utf8.DecodeLastRuneInString(text)
		text = text[:len(text)-n]
	}
	return text
}

// done takes the bar away.
func (p *progress) done() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.drawn {
		say(p.e.stderr, "\r\x1b[K")
		p.drawn = false
	}
}
