package report

import (
	"bytes"
	"fmt"
	"math"

	"trammel/pipeline"
	"trammel/pipeline/length"
	"trammel/pipeline/picture"
)

// Sticker is a target that was found on the skin.
type Sticker struct {
	Center   Vec3     `json:"center"` // on the skin below it
	Normal   Vec3     `json:"normal"`
	Diameter float64  `json:"diameter"`
	Height   float64  `json:"height"`
	Sigma    float64  `json:"sigma"`    // standard uncertainty of Height
	Replaced bool     `json:"replaced"` // by bare skin that another instrument saw
	By       string   `json:"by"`       // the instruments that saw it, the first in the sheet; empty where it was left
	Why      string   `json:"why"`      // it was left in the mesh; empty where it was replaced
	Rest     *float64 `json:"rest"`     // height of the fused mesh above the skin there; null where it has nothing
	Path     string   `json:"path"`     // the scan that shows it
}

func stickerOf(b *pipeline.Built, x *pipeline.Sticker, s scale) Sticker {
	out := Sticker{Center: s.vec(x.Center), Normal: unscaled(x.Normal), Diameter: s.length(x.Diameter), Height: s.length(x.Height), Sigma: s.length(x.Sigma),
		Replaced: x.Replaced(), Why: b.Why(x), Path: b.Files[x.File].Path}
	if x.Replaced() {
		out.By = b.Job.Instruments[x.Bare[0]].Name
	}
	if !math.IsNaN(x.Mesh) {
		rest := s.length(x.Mesh)
		out.Rest = &rest
	}
	return out
}

// stickerText says what was found on the skin and what became of it.
func stickerText(r *Report, f figures) string {
	if len(r.Stickers) == 0 {
		return "No round targets were found on the skin of tracked scans; tape is not looked for in this version."
	}
	low, high, replaced := r.Stickers[0].Height, r.Stickers[0].Height, 0
	for _, x := range r.Stickers {
		low, high = min(low, x.Height), max(high, x.Height)
		if x.Replaced {
			replaced++
		}
	}
	return fmt.Sprintf("%s round targets were found on the skin of tracked scans, %s to %s high; %d were replaced by bare skin that another instrument saw, %d are left in the mesh. Each is listed in datum-report.json, with the reason where it was left. Tape is not looked for in this version.",
		grouped(int64(len(r.Stickers))), f.named(low), f.named(high), replaced, len(r.Stickers)-replaced)
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
	c := &picture.CloseUp{Title: "A sticker that was left in the mesh", Half: b.CloseUp.Half, Step: 2 * b.CloseUp.Half / (pipeline.Raster - 1), Limit: limit, Unit: unit}
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
