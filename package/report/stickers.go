package report

import (
	"bytes"
	"fmt"
	"math"

	"trammel/pipeline"
	"trammel/pipeline/length"
	"trammel/pipeline/picture"
)

// Fate is what became of a sticker.
type Fate struct {
	Replaced bool     `json:"replaced"` // by bare skin that another instrument saw
	By       string   `json:"by"`       // the first of the instruments that saw it; empty where it was left
	Why      string   `json:"why"`      // it was left in the mesh; empty where it was replaced
	Rest     *float64 `json:"rest"`     // height of the fused mesh above the skin there; null where it has nothing
	Path     string   `json:"path"`     // the scan that shows it
}

// Sticker is a target that was found on the skin.
type Sticker struct {
	Center   Vec3    `json:"center"` // on the skin below it
	Normal   Vec3    `json:"normal"`
	Diameter float64 `json:"diameter"`
	Height   float64 `json:"height"`
	Sigma    float64 `json:"sigma"` // standard uncertainty of Height
	Fate
}

// Tape is a strip that was found on the skin.
type Tape struct {
	Center Vec3    `json:"center"` // on the skin below it
	Normal Vec3    `json:"normal"`
	Along  Vec3    `json:"along"`
	Length float64 `json:"length"`
	Width  float64 `json:"width"`
	Height float64 `json:"height"`
	Sigma  float64 `json:"sigma"` // standard uncertainty of Height
	Fate
}

func (r *Report) addSticker(b *pipeline.Built, x *pipeline.Sticker, s scale) {
	fate := Fate{Replaced: x.Replaced(), Why: b.Why(x), Path: b.Files[x.File].Path}
	if fate.Replaced {
		fate.By = b.Job.Instruments[x.Bare[0]].Name
	}
	if !math.IsNaN(x.Mesh) {
		rest := s.length(x.Mesh)
		fate.Rest = &rest
	}
	if t := x.Tape; t != nil {
		r.Tape = append(r.Tape, Tape{Center: s.vec(t.Center), Normal: unscaled(t.Normal), Along: unscaled(t.Along), Length: s.length(t.Length), Width: s.length(t.Width),
			Height: s.length(t.Height), Sigma: s.length(t.Sigma), Fate: fate})
		return
	}
	r.Stickers = append(r.Stickers, Sticker{Center: s.vec(x.Center), Normal: unscaled(x.Normal), Diameter: s.length(x.Diameter), Height: s.length(x.Height), Sigma: s.length(x.Sigma), Fate: fate})
}

// stickerText says what was found on the skin and what became of it.
func stickerText(r *Report, f figures) string {
	low, high, replaced := math.Inf(1), 0.0, 0
	count := func(height float64, is bool) {
		low, high = min(low, height), max(high, height)
		if is {
			replaced++
		}
	}
	for _, x := range r.Stickers {
		count(x.Height, x.Replaced)
	}
	for _, x := range r.Tape {
		count(x.Height, x.Replaced)
	}
	all := len(r.Stickers) + len(r.Tape)
	if all == 0 {
		return "No round targets and no tape were found on the skin of tracked scans."
	}
	return fmt.Sprintf("%s and %s were found on the skin of tracked scans, %s to %s high; %d were replaced by bare skin that another instrument saw, %d are left in the mesh. Each is listed in datum-report.json, with the reason where it was left.",
		plural(len(r.Stickers), "round target", "round targets"), plural(len(r.Tape), "strip of tape", "strips of tape"), f.named(low), f.named(high), replaced, all-replaced)
}

// drawCloseUp shows one sticker before and after; nothing without any.
func drawCloseUp(b *pipeline.Built) (*Picture, error) {
	if b.CloseUp == nil || b.CloseUp.Sticker >= len(b.Stickers) {
		return nil, nil
	}
	x, s, unit := &b.Stickers[b.CloseUp.Sticker], scaleOf(b.Units), string(b.Units)
	if b.Units.MM() == 0 {
		unit = string(length.Millimetre)
	}
	limit := roundUp(1.25 * s.length(x.Height))
	c := &picture.CloseUp{Title: "A sticker that was left in the mesh", Half: b.CloseUp.Half, Step: 2 * b.CloseUp.Half / (pipeline.Raster - 1), Between: x.Zones[0].Spacing, Limit: limit, Unit: unit}
	caption := fmt.Sprintf("The highest of the stickers: %s.", b.Why(x))
	if x.Replaced() {
		c.Title = "A sticker that was replaced by bare skin"
		caption = "The highest of the stickers that were replaced: what the scan saw, and what the mesh has there since " + b.Job.Instruments[x.Bare[0]].Name + " saw the skin without it."
	}
	for _, p := range b.CloseUp.Before {
		c.Before = append(c.Before, picture.Spot{X: p.X, Y: p.Y, Value: s.length(p.H)})
	}
	for k, h := range b.CloseUp.After {
		if h[1] != 0 {
			c.After = append(c.After, picture.Spot{X: b.CloseUp.At(k % pipeline.Raster), Y: b.CloseUp.At(k / pipeline.Raster), Value: s.length(h[0])})
		}
	}
	var png bytes.Buffer
	err := picture.PNG(&png, c, 150)
	return &Picture{Caption: caption + " Heights are those above the smooth skin around.", PNG: png.Bytes()}, err
}

// roundUp is the next of 1, 2, 3, 5 and 8 times a power of ten.
func roundUp(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return 1
	}
	base := math.Pow(10, math.Floor(math.Log10(x)))
	for _, f := range [...]float64{1, 2, 3, 5, 8} {
		if f*base >= x {
			return f * base
		}
	}
	return 10 * base
}
