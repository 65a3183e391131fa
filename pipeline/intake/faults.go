package intake

import (
	"errors"
	"fmt"
	"strings"

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

// Empty is the finding for a file without points.
func Empty(subject string, bytes int64) job.Finding {
	text := "it holds no points"
	if bytes == 0 {
		text = "it is empty, 0 bytes"
	}
	return job.Finding{Code: job.FileUnreadable, Severity: job.Hold, Subject: subject,
		Text: fmt.Sprintf("%s cannot be read as a scan: %s. To do: export it again, or take it out of the drop folder.", job.Printable(subject), text)}
}

// Invalid is the finding for points that were left out.
func Invalid(subject string, left, total int64) job.Finding {
	return job.Finding{Code: job.PointsInvalid, Severity: job.Warn, Subject: subject,
		Text: fmt.Sprintf("%d of %d points of %s (%.3g %%) are not numbers, infinite or absurdly far away and were left out. To do: if it is more than a few, look at the export's settings.",
			left, total, job.Printable(subject), 100*float64(left)/float64(max(1, total)))}
}

// Duplicate is the finding for a file with the content of another one.
func Duplicate(subject, first string) job.Finding {
	return job.Finding{Code: job.FileDuplicate, Severity: job.Warn, Subject: subject,
		Text: fmt.Sprintf("%s has the same content as %s; it is used once. To do: if it was meant to be another scan, copy that one here.", job.Printable(subject), job.Printable(first))}
}
