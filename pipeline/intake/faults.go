package intake

import (
	"errors"
	"fmt"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

// Unreadable turns the error of a reader into a finding, and reports false for
// an error that is not the file's fault (a disk that fails is no finding).
func Unreadable(subject string, bytes int64, err error) (job.Finding, bool) {
	f := job.Finding{Severity: job.Hold, Subject: subject}
	name, why := job.Printable(subject), reason(err)
	switch {
	case errors.Is(err, scan.ErrTruncated):
		f.Code = job.FileTruncated
		f.Text = fmt.Sprintf("%s is shorter than its header promises: %s (the file has %d bytes). To do: copy it again; if it is still short, export it again.", name, why, bytes)
	case errors.Is(err, scan.ErrFormat):
		f.Code = job.FileUnreadable
		f.Text = fmt.Sprintf("%s cannot be read as a scan: %s. To do: export it again, as PLY if in doubt, or take it out of the drop folder.", name, why)
	default:
		return f, false
	}
	return f, true
}

// reason strips from a reader's error what the finding says already.
func reason(err error) string {
	text := err.Error()
	for _, s := range []error{scan.ErrTruncated, scan.ErrFormat} {
		text = strings.TrimSuffix(text, ": "+s.Error())
	}
	if _, after, ok := strings.Cut(text, ": "); ok && strings.HasPrefix(text, "read ") {
		text = after
	}
	return job.Printable(text)
}

// Empty is the finding for a scan without points; blank is how many directions
// without a return it has.
func Empty(subject string, bytes, blank int64) job.Finding {
	text := "it holds no points"
	switch {
	case bytes == 0:
		text = "it is empty, 0 bytes"
	case blank > 0:
		text = fmt.Sprintf("it holds no points, only %d directions without a return", blank)
	}
	return job.Finding{Code: job.FileUnreadable, Severity: job.Hold, Subject: subject,
		Text: fmt.Sprintf("%s cannot be read as a scan: %s. To do: export it again, or take it out of the drop folder.", job.Printable(subject), text)}
}

// Left is what was left out of a scan, and why.
type Left struct {
	Absurd int64 // not a number, infinite, or impossibly far away
	Zero   int64 // exactly at the zero point of a set-up's frame: the scanner itself
	Tail   int64 // of these, how many in a row at the very end
}

// Total returns how many points were left out.
func (l Left) Total() int64 { return l.Absurd + l.Zero }

// leastZero points at the zero point are no accident: an object's corner may lie
// there once or twice.
const leastZero = 3

// DropZero takes the points at the zero point out of a set-up's cloud, in place:
// instruments write them where nothing came back (common practice, no source).
func DropZero(c *scan.Cloud) (l Left) {
	if c.Origin != (geom.Vec{}) {
		return l
	}
	isZero := func(i int) bool { return c.X[i] == 0 && c.Y[i] == 0 && c.Z[i] == 0 }
	for i := c.Len() - 1; i >= 0 && isZero(i); i-- {
		l.Tail++
	}
	for i := range c.X {
		if isZero(i) {
			l.Zero++
		}
	}
	if l.Zero < leastZero {
		return Left{}
	}
	keep := make([]bool, c.Len())
	for i := range keep {
		keep[i] = !isZero(i)
	}
	c.Keep(0, keep)
	return l
}

// Invalid is the finding for points that were left out of total.
func Invalid(subject string, l Left, total int64) job.Finding {
	var why []string
	if l.Absurd > 0 {
		why = append(why, fmt.Sprintf("%d are not numbers, infinite or absurdly far away", l.Absurd))
	}
	if l.Zero > 0 {
		why = append(why, fmt.Sprintf("%d lie exactly at the scanner's own place, as exports write it where nothing came back", l.Zero))
	}
	return job.Finding{Code: job.PointsInvalid, Severity: job.Warn, Subject: subject,
		Text: fmt.Sprintf("%d of %d points of %s (%.3g %%) were left out: %s. To do: if it is more than a few, look at the export's settings.",
			l.Total(), total, job.Printable(subject), 100*float64(l.Total())/float64(max(1, total)), strings.Join(why, ", and "))}
}

const (
	// A copy that stopped leaves zeros behind where the file was given its full size
	// first. So many in a row at the end are no surface.
	leastTail      = 100
	leastTailShare = 0.001
)

// ZeroTail is the finding for a scan that ends in zeros, if it does.
func ZeroTail(subject string, l Left, total int64) []job.Finding {
	if l.Tail < leastTail || float64(l.Tail) < leastTailShare*float64(total) {
		return nil
	}
	return []job.Finding{{Code: job.FileTruncated, Severity: job.Hold, Subject: subject,
		Text: fmt.Sprintf("The last %d of %d points of %s are all zero, as in a copy that stopped after the file had been given its full size. To do: copy it again; if it stays so, export it again.", l.Tail, total, job.Printable(subject))}}
}

// Duplicate is the finding for a file with the content of another one.
func Duplicate(subject, first string) job.Finding {
	return job.Finding{Code: job.FileDuplicate, Severity: job.Warn, Subject: subject,
		Text: fmt.Sprintf("%s has the same content as %s; it is used once. To do: if it was meant to be another scan, copy that one here.", job.Printable(subject), job.Printable(first))}
}
