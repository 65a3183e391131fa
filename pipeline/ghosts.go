package pipeline

import (
	"context"
	"fmt"

	"trammel/pipeline/fuse"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

// seen returns what a set-up saw of every direction, before anything is taken from its
// points; nil for scans without lines of sight.
func seen(c *scan.Cloud, kind job.Kind) func(ctx context.Context) (*fuse.Sight, error) {
	if !isSetUp(kind) {
		return nil
	}
	whole := *c // what stickers hide may be moved out of it later: returns all the same
	return func(ctx context.Context) (*fuse.Sight, error) { return fuse.NewSight(ctx, &whole) }
}

// ghosts says what was left out of the mesh since others looked through it.
func (b *Built) ghosts(list []fuse.Ghost, views []placed) []job.Finding {
	var out []job.Finding
	for _, g := range list {
		path := b.Files[views[g.View].file].Path
		out = append(out, job.Finding{Code: job.SeenThrough, Severity: job.Note, Subject: path,
			Text: fmt.Sprintf("%s alone shows %.0f cm² of surface around %.0f, %.0f, %.0f mm that at least two other set-ups looked through: somebody who walked by, or something that was moved. It is left out of the mesh. To do: if something of the object stood there, scan it once more.",
				job.Printable(path), g.Area/100, g.Center.X, g.Center.Y, g.Center.Z)})
	}
	return out
}
