package pipeline

import (
	"context"
	"math"

	"trammel/pipeline/coverage"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

const coverVersion = 6

// covered is what the stage keeps.
type covered struct {
	Regions []coverage.Result
	Whole   coverage.Result
}

// cover says how well the object and the required regions were seen, and what of them
// was not.
func (r *run) cover(ctx context.Context, b *Built) error {
	list := b.allPlaced()
	if !b.framed() || b.lookedAt() == nil || len(list) == 0 {
		return nil
	}
	var err error
	if b.Unseen, err = r.unseen(ctx, b, list); err != nil {
		return err
	}
	key, err := b.stageKey("cover", coverVersion, struct {
		Regions []job.Region
		Gaps    Unseen
		Box     geom.Box
		Grain   float64
	}{b.Job.Coverage, *b.Unseen, *b.lookedAt(), b.grain()}, list)
	if err != nil {
		return err
	}
	found, err := stage.Run(r.store, "cover", "job", key, stage.JSON[covered](), func() (covered, error) { return r.coverNow(ctx, b, list) })
	if err != nil {
		return err
	}
	b.Coverage, b.Whole = found.Regions, &found.Whole
	for _, c := range b.Coverage {
		for _, f := range c.Findings {
			if b.capturing {
				f.Severity = job.Note
			}
			b.Findings = append(b.Findings, f)
		}
	}
	return nil
}

func (r *run) coverNow(ctx context.Context, b *Built, list []placed) (covered, error) {
	var regions []*coverage.Region
	for _, c := range b.Job.Coverage {
		regions = append(regions, coverage.NewRegion(c, len(b.Job.Instruments)))
	}
	// The object as a whole has no spacing that is asked for; cells as wide as the fusion's
	// are what its mesh needs.
	whole := coverage.NewRegion(job.Region{Name: "object", Box: *b.lookedAt(), Spacing: b.grain()}, len(b.Job.Instruments))
	for k, p := range list {
		r.progress("judging coverage", b.Files[p.file].Path, k, len(list))
		content, err := b.read(ctx, p.file)
		if err != nil {
			return covered{}, err
		}
		fine, err := r.thin(ctx, b, p.file)
		if err != nil {
			return covered{}, err
		}
		for _, g := range append(regions, whole) {
			addScan(g, pointsOf(content), fine, p.toFrame, b.Files[p.file].Instrument)
		}
	}
	out := covered{Regions: []coverage.Result{}}
	for k, g := range regions {
		out.Regions = append(out.Regions, g.Result(b.Unseen.Regions[k]))
	}
	out.Whole = whole.Result(coverage.Hole{Seen: b.Unseen.Seen, Known: b.Unseen.Known, Missing: b.Unseen.Missing})
	out.Whole.Findings = nil // nothing is asked of the whole
	return out, nil
}

// addScan adds the points of a scan, and at what incidence it saw them where it is known
// from where.
func addScan(g *coverage.Region, c *scan.Cloud, fine thinned, toFrame geom.Pose, instrument int) {
	for i := range c.Len() {
		g.AddPoint(toFrame.Apply(c.At(i)))
	}
	if s := fine.Sight; s.Known {
		for i := range fine.Len() {
			at, towards := fine.At(i), s.Vec
			if !s.Parallel {
				towards = s.Vec.Sub(at)
			}
			if cos := towards.Unit().Dot(fine.Normal(i)); !math.IsNaN(cos) {
				g.AddSight(toFrame.Apply(at), cos)
			}
		}
	}
	g.EndScan(instrument)
}
