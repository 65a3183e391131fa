package intake

import (
	"fmt"

	"trammel/pipeline/job"
)

const (
	// doubledShare of points twice there makes every uncertainty too small by more
	// than it is known.
	doubledShare = 0.01
	// strayShare of points with nothing around them is more than edges and dust give
	// (common practice, no source).
	strayShare = 0.01
	// noisier is the factor between the noise seen and the one the sheet states
	// beyond which they are not the same instrument. In simulated halls and rooms the
	// noise was found within a tenth; real surfaces are rougher (no source).
	noisier = 1.5
	// saturatedShare of returns at the top of the scale is more than a few glints.
	saturatedShare = 0.02
)

// Quality turns a survey in millimetres into findings about a scan of the given
// number of points. stated is the range noise that the job sheet gives, or 0.
func (s Survey) Quality(subject string, points int64, stated float64) []job.Finding {
	var all []job.Finding
	add := func(code job.Code, severity job.Severity, text string, args ...any) {
		all = append(all, job.Finding{Code: code, Severity: severity, Subject: subject, Text: fmt.Sprintf(text, args...)})
	}
	name, share := job.Printable(subject), func(n int64) float64 { return float64(n) / float64(max(1, points)) }
	if share(s.Doubled) > doubledShare {
		add(job.PointsDoubled, job.Warn, "%d of %d points of %s (%.3g %%) stand exactly where another one does; up to %.0f %% are usual. Uncertainties come out too small. To do: look whether a scan was exported twice into one file, or with coarse rounding.",
			s.Doubled, points, name, 100*share(s.Doubled), 100*doubledShare)
	}
	if share(s.Lone) > strayShare {
		add(job.PointsStray, job.Warn, "%d of %d points of %s (%.3g %%) have nothing around them, the farthest at (%.0f, %.0f, %.0f) mm; up to %.0f %% are usual. To do: look for rain, dust, glass or mirrors in sight, and for a filter in the export that is off.",
			s.Lone, points, name, 100*share(s.Lone), s.LoneAt.X, s.LoneAt.Y, s.LoneAt.Z, 100*strayShare)
	}
	if stated > 0 && s.Noise > noisier*stated {
		add(job.ScanNoisy, job.Warn, "The points of %s scatter by %.2f mm (1 sigma) about small flat pieces, %.1f m away at the median; the job sheet says %.2f mm. To do: look at the scanner's quality setting and window, at vibration, and at dark or shiny surfaces; or correct noise: in the job sheet.",
			name, s.Noise, s.Distance/1000, stated)
	}
	if s.Saturated > saturatedShare {
		add(job.Saturated, job.Note, "%.1f %% of the returns of %s are at the largest intensity; up to %.0f %% are usual. Ranges to such surfaces may be off. To do: look for reflective tape, chrome or wet paint, and treat what was measured there with care.",
			100*s.Saturated, name, 100*saturatedShare)
	}
	return all
}
