package main

import (
	"fmt"
	"sync"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
)

// progress shows how far the work is: a bar on a terminal, a line for each new
// step elsewhere, nothing when the command is quiet.
type progress struct {
	e    *env
	bars *mpb.Progress

	mu      sync.Mutex // guards what follows
	name    string
	subject string
	bar     *mpb.Bar
}

func newProgress(e *env) *progress {
	p := &progress{e: e}
	if isTerminal(e.stderr) && !e.quiet {
		p.bars = mpb.New(mpb.WithOutput(e.stderr), mpb.WithWidth(40))
	}
	return p
}

// step tells that item done of total of a step is being worked on.
func (p *progress) step(name, subject string, done, total int) {
	if p.e.quiet {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.bars == nil {
		p.line(name, subject, total)
		return
	}
	if name != p.name {
		p.finish()
		p.name = name
		p.bar = p.bars.AddBar(int64(max(total, 1)), mpb.PrependDecorators(decor.Name(name, decor.WCSyncSpaceR)),
			mpb.AppendDecorators(decor.Any(func(decor.Statistics) string { return p.current() })), mpb.BarRemoveOnComplete())
	}
	p.subject = subject
	p.bar.SetCurrent(int64(done))
}

// current is asked by the bar's own goroutine while step may hold the lock, so
// it reads without it a string that is only for show.
func (p *progress) current() string {
	if !p.mu.TryLock() {
		return ""
	}
	defer p.mu.Unlock()
	return printable(p.subject)
}

func (p *progress) line(name, subject string, total int) {
	if name == p.name && subject == p.subject {
		return
	}
	p.name, p.subject = name, subject
	what := ""
	if total > 1 {
		what = fmt.Sprintf(" (%s)", printable(subject))
	}
	say(p.e.stderr, "trammel: %s%s\n", name, what)
}

func (p *progress) finish() {
	if p.bar != nil {
		p.bar.Abort(true)
		p.bar = nil
	}
}

// done takes the bar away.
func (p *progress) done() {
	p.mu.Lock()
	p.finish()
	p.mu.Unlock()
	if p.bars != nil {
		p.bars.Wait()
	}
}
