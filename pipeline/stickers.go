package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/normal"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
	"trammel/pipeline/sticker"
)

const stickerVersion = 6

// usualTargets are looked for where the sheet names none: tracking targets have 6 or
// 8 mm (common practice, no source).
func usualTargets() []float64 { return []float64{6, 8} }

// Sticker is a target or a strip of tape that was found on the skin, and what became of it. Lengths are
// millimetres, places in the frame of the deliverables.
type Sticker struct {
	sticker.Disc                 // of tape: its middle, its height, and no diameter
	Tape         *sticker.Strip  // nil for a round target
	File         int             // that shows it
	Zones        []sticker.Zone  // of skin that it covers
	Bare         []int           // instruments that saw bare skin there: indices into the sheet's
	By           int             // the one that had most to say about it; -1 for none
	Said         sticker.Verdict // what it said
	Mesh         float64         // height of the fused mesh above the skin there; NaN where it has no corner there
}

// isBare reports whether other instruments saw bare skin, which was taken.
func (s *Sticker) isBare() bool { return len(s.Bare) > 0 }

// Replaced reports whether bare skin really stands in the mesh where the sticker was, by
// the mesh itself.
func (s *Sticker) Replaced() bool {
	return s.isBare() && math.Abs(s.Mesh) <= s.Height/2
}

// stickers looks for targets and tape in the tracked scans: those alone are fine enough, and it
// is for them that targets are put up.
func (r *run) stickers(ctx context.Context, b *Built) error {
	for _, p := range b.placedTracked() {
		found, err := r.stickersOf(ctx, b, p.file)
		if err != nil {
			return err
		}
		for _, d := range found.Discs {
			d.Center, d.Normal, d.Skin = p.toFrame.Apply(d.Center), p.toFrame.Turn(d.Normal), d.Skin.Moved(p.toFrame)
			b.addSticker(Sticker{Disc: d, File: p.file, Zones: []sticker.Zone{d.Zone()}, By: -1, Mesh: math.NaN()})
		}
		for _, t := range found.Tapes {
			t := t.Moved(p.toFrame)
			b.addSticker(Sticker{Disc: sticker.Disc{Center: t.Center, Normal: t.Normal, Height: t.Height, Sigma: t.Sigma, Points: t.Points},
				Tape: &t, File: p.file, Zones: t.Zones, By: -1, Mesh: math.NaN()})
		}
	}
	return r.bare(ctx, b)
}

// addSticker adds one that lies on the object, unless another scan shows it more
// clearly.
func (b *Built) addSticker(s Sticker) {
	if !inBox(b, s.Center) {
		return
	}
	for i := range b.Stickers {
		if old := &b.Stickers[i]; old.overlaps(&s) {
			if s.Height/s.Sigma > old.Height/old.Sigma {
				*old = s
			}
			return
		}
	}
	b.Stickers = append(b.Stickers, s)
}

// overlaps reports whether two stickers are the same one.
func (s *Sticker) overlaps(o *Sticker) bool {
	if (s.Tape == nil) != (o.Tape == nil) {
		return false
	}
	if s.Tape == nil {
		return s.Center.Dist(o.Center) < (s.Diameter+o.Diameter)/2
	}
	return s.Tape.Holds(o.Center) || o.Tape.Holds(s.Center)
}

func inBox(b *Built, p geom.Vec) bool {
	return b.Job.Object == nil || !b.framed() || b.Job.Object.Contains(p)
}

// onSkin is what was found on the skin of a scan, in its own frame.
type onSkin struct {
	Discs []sticker.Disc
	Tapes []sticker.Strip
}

func (r *run) stickersOf(ctx context.Context, b *Built, file int) (onSkin, error) {
	sizes := b.Job.Targets
	if len(sizes) == 0 {
		sizes = usualTargets()
	}
	own, err := b.key(placed{file: file, toFrame: geom.IdentityPose()})
	if err != nil {
		return onSkin{}, err
	}
	key, err := stage.KeyOf("stickers", stickerVersion, sizes, own)
	if err != nil {
		return onSkin{}, err
	}
	return stage.Run(r.store, "stickers", b.Files[file].Path, key, stage.JSON[onSkin](), func() (out onSkin, err error) {
		c, err := b.skinOf(ctx, file)
		if err != nil || c == nil {
			return out, err
		}
		if out.Discs, err = sticker.Find(ctx, c, sticker.Options{Diameters: sizes}); err != nil {
			return out, err
		}
		out.Tapes, err = sticker.FindStrips(ctx, c)
		return out, err
	})
}

// skinOf loads a scan with normals; nil for one that has too few points for them.
func (b *Built) skinOf(ctx context.Context, file int) (*scan.Cloud, error) {
	content, err := b.read(ctx, file)
	if err != nil {
		return nil, err
	}
	if content.Mesh != nil {
		return content.Mesh.Cloud(), nil
	}
	c := pointsOf(content)
	if c.HasNormals() {
		return c, nil
	}
	_, err = normal.Estimate(ctx, c, normal.Options{Kind: b.seenFrom(file)})
	if errors.Is(err, normal.ErrFew) || errors.Is(err, normal.ErrView) {
		return nil, nil
	}
	return c, err
}

// tellStickers says how many there are, by size, and what became of them.
func (b *Built) tellStickers() {
	if len(b.Stickers) == 0 {
		return
	}
	sizes := b.Job.Targets
	if len(sizes) == 0 {
		sizes = usualTargets()
	}
	counts := make([]int, len(sizes))
	height, tapes := 0.0, 0
	for _, s := range b.Stickers {
		height = max(height, s.Height)
		if s.Tape != nil {
			tapes++
			continue
		}
		best := 0
		for i, size := range sizes {
			if d := s.Diameter - size; d*d < (s.Diameter-sizes[best])*(s.Diameter-sizes[best]) {
				best = i
			}
		}
		counts[best]++
	}
	var words []string
	for i, n := range counts {
		if n > 0 {
			words = append(words, fmt.Sprintf("%d of about %g mm", n, sizes[i]))
		}
	}
	if tapes > 0 {
		words = append(words, fmt.Sprintf("%d strips of tape", tapes))
	}
	b.Findings = append(b.Findings, job.Finding{Code: job.Stickers, Severity: job.Note, Subject: "skin",
		Text: fmt.Sprintf("%d stickers were found on the skin of tracked scans (%s), up to %.2f mm high. %s", len(b.Stickers), strings.Join(words, ", "), height, b.StickerFate())})
}

// StickerFate says in a few sentences which stickers were replaced, which were left, and
// why.
func (b *Built) StickerFate() string {
	replaced := 0
	var reasons []string
	counts := map[string]int{}
	for i := range b.Stickers {
		s := &b.Stickers[i]
		if s.Replaced() {
			replaced++
			continue
		}
		why := b.Why(s)
		if counts[why]++; counts[why] == 1 {
			reasons = append(reasons, why)
		}
	}
	left := len(b.Stickers) - replaced
	if left == 0 {
		return fmt.Sprintf("All %d were replaced by bare skin that another instrument saw.", replaced)
	}
	for i, why := range reasons {
		reasons[i] = fmt.Sprintf("%s (%d)", why, counts[why])
	}
	text := fmt.Sprintf("%d were replaced by bare skin that another instrument saw, %d are left in the mesh: %s.", replaced, left, strings.Join(reasons, "; "))
	return text + " What another instrument saw counts as bare skin where its height at the sticker, against its own surroundings, is compatible with none and clearly below the sticker's; a scan that shows the same sticker cannot replace it. To do: keep faces that parts bolt on free of stickers, or scan them before these are put on."
}
