package report

import (
	"fmt"

	"trammel/pipeline"
)

// Sticker is a target that was found on the skin.
type Sticker struct {
	Center   Vec3    `json:"center"` // on the skin below it
	Normal   Vec3    `json:"normal"`
	Diameter float64 `json:"diameter"`
	Height   float64 `json:"height"`
	Sigma    float64 `json:"sigma"`    // standard uncertainty of Height
	Replaced bool    `json:"replaced"` // by bare skin that another instrument saw; not done in this version
	Path     string  `json:"path"`     // the scan that shows it
}

func stickerOf(b *pipeline.Built, x pipeline.Sticker, s scale) Sticker {
	return Sticker{Center: s.vec(x.Center), Normal: unscaled(x.Normal), Diameter: s.length(x.Diameter), Height: s.length(x.Height), Sigma: s.length(x.Sigma), Path: b.Files[x.File].Path}
}

// stickerText says what was found on the skin; the list is in the JSON.
func stickerText(r *Report, f figures) string {
	if len(r.Stickers) == 0 {
		return "No round targets were found on the skin of tracked scans; tape is not looked for in this version."
	}
	low, high := r.Stickers[0].Height, r.Stickers[0].Height
	for _, x := range r.Stickers {
		low, high = min(low, x.Height), max(high, x.Height)
	}
	return fmt.Sprintf("%s round targets were found on the skin of tracked scans, %s to %s high; they are left in the mesh and listed in datum-report.json. Tape is not looked for in this version.",
		grouped(int64(len(r.Stickers))), f.named(low), f.named(high))
}
