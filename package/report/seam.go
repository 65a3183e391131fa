package report

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline"
	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/picture"
)

// Seam says how far the other scans lie from the preferred ones where both saw the surface,
// and along the line where the one takes over from the other.
type Seam struct {
	Area     float64   `json:"area"`               // counted once for every other scan
	Mean     float64   `json:"mean"`               // positive where the others lie outside
	RMS      float64   `json:"rms"`                // noise of the other scans included
	Places   int       `json:"places"`             // along the seam where the step is known, blocks of eight cells
	Unknown  int       `json:"unknown"`            // along it where both share too little to tell, or the surface turns
	Median   float64   `json:"median"`             // of the sizes of the steps
	P95      float64   `json:"p95"`                // 95 % are smaller
	Sigma    float64   `json:"sigma"`              // the median standard uncertainty of one
	Feather  float64   `json:"feather"`            // width of the passage; 0 for that of the points' reach, about a cell and a half
	Clearest *SeamStep `json:"clearest,omitempty"` // left out where no step is known
}

// SeamStep is the clearest step of a seam: the largest beyond twice its standard uncertainty,
// or the best known one if none is beyond that.
type SeamStep struct {
	At    Vec3    `json:"at"`
	Step  float64 `json:"step"` // positive where the other scans lie outside
	Sigma float64 `json:"sigma"`
}

func (s *SeamStep) isClear() bool { return math.Abs(s.Step) > 2*s.Sigma }

func either(condition bool, yes, no string) string {
	if condition {
		return yes
	}
	return no
}

func seamOf(x fuse.Seam, feather float64, s scale) Seam {
	out := Seam{Area: tidy(x.Area * float64(s) * float64(s)), Mean: s.length(x.Mean), RMS: s.length(x.RMS), Places: x.Places, Unknown: x.Unknown,
		Median: s.length(x.Median), P95: s.length(x.P95), Sigma: s.length(x.Noise), Feather: s.length(feather)}
	if x.Places > 0 {
		out.Clearest = &SeamStep{s.vec(x.Worst.At), s.length(x.Worst.Size), s.length(x.Worst.Noise)}
	}
	return out
}

// seamText says what the steps are.
func seamText(x Seam, f figures) []string {
	out := []string{fmt.Sprintf("Where preferred scans saw the surface, the others lie %s off on average (positive: outside), %s rms with their noise.", f.named(x.Mean), f.named(x.RMS))}
	if x.Clearest == nil {
		return append(out, "Nowhere do the others go on where the preferred scans end, so there is no seam.")
	}
	passage := "within about a cell and a half; mesh.feather in the job sheet spreads it"
	if x.Feather > 0 {
		passage = "over " + f.named(x.Feather)
	}
	text := fmt.Sprintf("Along the seam, where the others take over, the step between the two was measured at %s: half are below %s and 95 %% below %s (standard uncertainty of one %s); %s %s (standard uncertainty %s) at %s. The mesh passes from one to the other %s.",
		plural(x.Places, "place", "places"), f.named(x.Median), f.named(x.P95), f.named(x.Sigma), either(x.Clearest.isClear(), "the clearest is", "none is beyond twice its own, and where it is best known it is"), f.named(x.Clearest.Step), f.named(x.Clearest.Sigma), place(x.Clearest.At, f), passage)
	if x.Unknown > 0 {
		text += fmt.Sprintf(" At %s the two share too little to tell, or the surface turns.", plural(x.Unknown, "further place", "further places"))
	}
	return append(out, text)
}

// drawSeam shows the fused mesh where the step is the largest, from outside and cut across.
func drawSeam(ctx context.Context, b *pipeline.Built) ([]Picture, error) {
	piece, share := b.SeamPiece()
	if b.Seam == nil || piece == nil || piece.Triangles() == 0 {
		return nil, nil
	}
	half := geom.Vec{X: b.Seam.Half, Y: b.Seam.Half * 2 / 3, Z: 0}
	frame := geom.Box{Min: half.Scale(-1), Max: half}
	img, err := picture.Render(ctx, piece, picture.RenderOptions{Width: widePixels, Height: widePixels * 2 / 3,
		View: picture.View{Direction: geom.Vec{Z: -1}, Up: geom.Vec{Y: 1}}, Frame: &frame, Share: share})
	if err != nil {
		return nil, err
	}
	var outside, cut bytes.Buffer
	if err := picture.EncodePNG(&outside, img); err != nil {
		return nil, err
	}
	f := figuresOf(b.Units)
	x := seamOf(b.Mesh.Fusion.Seam, featherOf(b), scaleOf(b.Units))
	preferred, others := sides(b)
	caption := fmt.Sprintf("The seam where its step is %s, %s (standard uncertainty %s) at %s: the fused mesh from outside, blue where %s has points, stone-coloured where %s alone saw it. Along the whole seam half of the steps are below %s and 95 %% below %s.",
		either(x.Clearest.isClear(), "the clearest", "best known"), f.named(x.Clearest.Step), f.named(x.Clearest.Sigma), place(x.Clearest.At, f), preferred, others, f.named(x.Median), f.named(x.P95))
	if err := picture.PNG(&cut, cutOf(b, preferred, others), 150); err != nil {
		return nil, err
	}
	return []Picture{{caption, outside.Bytes()}, {fmt.Sprintf("The same place cut across from left to right: points within %s of the cut, averaged over a fusion cell, and the fused mesh; heights above a smooth surface through the mesh, enlarged.", f.named(scaleOf(b.Units).length(b.Strip()))), cut.Bytes()}}, nil
}

// sides names the instruments on both sides of a seam.
func sides(b *pipeline.Built) (preferred, others string) {
	names := [2]string{}
	for _, i := range b.Job.Instruments {
		k := 1
		if i.Prefer {
			k = 0
		}
		if names[k] != "" {
			names[k] += ", "
		}
		names[k] += oneLine(i.Name)
	}
	return names[0], names[1]
}

// cutOf draws the cut so large that steps and noise fill it.
func cutOf(b *pipeline.Built, preferred, others string) *picture.Cut {
	s, unit := scaleOf(b.Units), string(b.Units)
	if b.Units.MM() == 0 {
		unit = string(length.Millimetre)
	}
	c := &picture.Cut{Title: "Across the seam", Names: [2]string{preferred, others}, Half: b.Seam.Half, Unit: unit}
	p, o, mesh := b.SeamCut()
	var sizes []float64 // of what lies near
	take := func(list []pipeline.Above) (out []picture.Height) {
		for _, q := range list {
			out = append(out, picture.Height{X: q.X, Value: s.length(q.H)})
			if math.Abs(q.H) < b.Job.Mesh.Voxel {
				sizes = append(sizes, math.Abs(s.length(q.H)))
			}
		}
		return out
	}
	c.Preferred, c.Others = take(p), take(o)
	for _, q := range mesh {
		c.Mesh = append(c.Mesh, []picture.Height{{X: q[0].X, Value: s.length(q[0].H)}, {X: q[1].X, Value: s.length(q[1].H)}})
	}
	least := 1.5 * math.Abs(s.length(b.Mesh.Fusion.Seam.Worst.Size))
	if slices.Sort(sizes); len(sizes) > 0 {
		least = max(least, sizes[len(sizes)*9/10])
	}
	c.Limit = roundUp(1.2 * least)
	if w := b.Job.Mesh.Feather; w > 0 {
		c.Feather = [2]float64{-w, 0}
	}
	return c
}

// featherOf is the width that the sheet asks for, mm.
func featherOf(b *pipeline.Built) float64 {
	if b.Job == nil {
		return 0
	}
	return b.Job.Mesh.Feather
}
