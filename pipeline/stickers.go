package pipeline

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
	"trammel/pipeline/sticker"
)

const stickerVersion = 1

// usualTargets are looked for where the sheet names none: tracking targets have 6 or
// 8 mm (common practice, no source).
func usualTargets() []float64 { return []float64{6, 8} }

// Sticker is a target that was found on the skin.
type Sticker struct {
	sticker.Disc     // in the frame of the deliverables
	File         int // that shows it
}

// stickers looks for targets in the tracked scans: those alone are fine enough, and it
// is for them that targets are put up.
func (r *run) stickers(ctx context.Context, b *Built) error {
	for _, p := range b.placedTracked() {
		found, err := r.stickersOf(ctx, b, p.file)
		if err != nil {
			return err
		}
		for _, d := range found {
			d.Center, d.Normal = p.toFrame.Apply(d.Center), p.toFrame.Turn(d.Normal)
			if inBox(b, d.Center) {
				b.Stickers = append(b.Stickers, Sticker{Disc: d, File: p.file})
			}
		}
	}
	b.tellStickers()
	return nil
}

func inBox(b *Built, p geom.Vec) bool {
	return b.Job.Object == nil || !b.framed() || b.Job.Object.Contains(p)
}

func (r *run) stickersOf(ctx context.Context, b *Built, file int) ([]sticker.Disc, error) {
	sizes := b.Job.Targets
	if len(sizes) == 0 {
		sizes = usualTargets()
	}
	own, err := b.key(placed{file: file, toFrame: geom.IdentityPose()})
	if err != nil {
		return nil, err
	}
	key, err := stage.KeyOf("stickers", stickerVersion, sizes, own)
	if err != nil {
		return nil, err
	}
	return stage.Run(r.store, "stickers", b.Files[file].Path, key, stage.JSON[[]sticker.Disc](), func() ([]sticker.Disc, error) {
		content, err := b.read(ctx, file)
		if err != nil {
			return nil, err
		}
		var c *scan.Cloud
		if content.Mesh != nil {
			c = content.Mesh.Cloud()
		} else {
			c = content.Cloud
		}
		found, err := sticker.Find(ctx, c, sticker.Options{Diameters: sizes})
		return slices.Concat([]sticker.Disc{}, found), err
	})
}

// tellStickers says how many there are, by size.
func (b *Built) tellStickers() {
	if len(b.Stickers) == 0 {
		return
	}
	sizes := b.Job.Targets
	if len(sizes) == 0 {
		sizes = usualTargets()
	}
	counts := make([]int, len(sizes))
	height := 0.0
	for _, s := range b.Stickers {
		best := 0
		for i, size := range sizes {
			if d := s.Diameter - size; d*d < (s.Diameter-sizes[best])*(s.Diameter-sizes[best]) {
				best = i
			}
		}
		counts[best]++
		height = max(height, s.Height)
	}
	var words []string
	for i, n := range counts {
		if n > 0 {
			words = append(words, fmt.Sprintf("%d of about %g mm", n, sizes[i]))
		}
	}
	b.Findings = append(b.Findings, job.Finding{Code: job.Stickers, Severity: job.Note, Subject: "skin",
		Text: fmt.Sprintf("%d stickers were found on the skin of tracked scans (%s), up to %.2f mm high. They are left in the mesh, and listed in the report. To do: keep faces that parts bolt on free of them.",
			len(b.Stickers), strings.Join(words, ", "), height)})
}
