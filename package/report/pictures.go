package report

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"path"
	"slices"
	"strings"

	"trammel/pipeline"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/network"
	"trammel/pipeline/picture"
)

// Pictures are what a report shows; an empty one is left out.
type Pictures struct {
	Plan      Plan      // set-ups and spheres from above
	Renders   []Picture // of the reduced mesh; the first is shown larger than the others
	Departure *Picture  // of the reduced mesh from the fused one
	FromRaw   *Picture  // of the scans' points from the reduced mesh
	Apart     []Picture // pairs of scans that disagree, the worst first
	Gaps      *Picture  // what was not seen of the object
	Mounts    []Picture // of the reduced mesh at the first mounts, with its edges
	CloseUp   *Picture  // one sticker before and after
	Seam      []Picture // where the step between preferred scans and the others is the largest
	Asymmetry *Picture  // the object against its own mirror image
}

// Plan is one drawing in two forms, the same to the eye.
type Plan struct{ SVG, PNG []byte }

// Picture is a picture and what it shows.
type Picture struct {
	Caption string // a full sentence
	PNG     []byte
}

// largestPNG keeps a report small enough to mail: five such pictures, base64, are
// below 5 MB.
const largestPNG = 600_000

// Draw makes the pictures of a job, in the frame of the deliverables. What there
// is no data for is left out: no set-up, no plan; no surface, no renders. The same
// job gives the same bytes.
func Draw(ctx context.Context, b *pipeline.Built) (Pictures, error) {
	var p Pictures
	var err error
	if p.Plan, err = drawPlan(&b.Checked, outline(b)); err != nil {
		return p, fmt.Errorf("draw the plan: %w", err)
	}
	if p.Apart, err = drawApart(b); err != nil {
		return p, fmt.Errorf("draw the overlaps: %w", err)
	}
	if p.Gaps, err = drawGaps(&b.Checked, outline(b)); err != nil {
		return p, fmt.Errorf("draw the gaps: %w", err)
	}
	if p.Asymmetry, err = drawAsymmetry(&b.Checked, outline(b)); err != nil {
		return p, fmt.Errorf("draw the asymmetry: %w", err)
	}
	if p.CloseUp, err = drawCloseUp(b); err != nil {
		return p, fmt.Errorf("draw a sticker: %w", err)
	}
	if b.Surface == nil || b.Surface.Triangles() == 0 {
		return p, nil
	}
	views := picture.Views()
	for i, v := range []picture.View{views[0], views[1], views[5]} {
		width := pairedPixels
		if i == 0 {
			width = widePixels
		}
		drawn, err := render(ctx, b, width, picture.RenderOptions{View: v})
		if err != nil {
			return p, fmt.Errorf("draw the surface %s: %w", v.Name, err)
		}
		p.Renders = append(p.Renders, Picture{Caption: "The reduced mesh, seen " + v.Name + ".", PNG: drawn})
	}
	if p.Mounts, err = drawMounts(ctx, b); err != nil {
		return p, fmt.Errorf("draw the mesh at a mount: %w", err)
	}
	if p.Seam, err = drawSeam(ctx, b); err != nil {
		return p, fmt.Errorf("draw the seam: %w", err)
	}
	if p.Departure, err = drawDeparture(ctx, b); err != nil {
		return p, fmt.Errorf("draw the deviation: %w", err)
	}
	if p.FromRaw, err = drawFromRaw(ctx, b); err != nil {
		return p, fmt.Errorf("draw the scans' distances: %w", err)
	}
	return p, nil
}

// Widths of pictures in pixels. The writing in a render has a fixed size in pixels;
// on a page of A4 it then comes out at 5 to 6 points.
const (
	widePixels   = 900 // over the width of the page
	pairedPixels = 640 // two side by side
)

// render draws smaller and smaller until the file is small enough.
func render(ctx context.Context, b *pipeline.Built, width int, o picture.RenderOptions) ([]byte, error) {
	var out bytes.Buffer
	for _, share := range [...]int{100, 75, 50} {
		o.Width, o.Height = width*share/100, width*share/150
		img, err := picture.Render(ctx, b.Surface, o)
		if err != nil {
			return nil, err
		}
		out.Reset()
		if err := picture.EncodePNG(&out, img); err != nil {
			return nil, err
		}
		if out.Len() <= largestPNG {
			break
		}
	}
	return out.Bytes(), nil
}

// Where the scales of pictures end: one in so many values lies beyond. Points at the
// edges of things lie far off the mesh, and there are many of them.
const (
	strayDepartures = 1000
	StrayPoints     = 20
)

// drawDeparture colours the mesh by its signed distance from the fused one.
func drawDeparture(ctx context.Context, b *pipeline.Built) (*Picture, error) {
	return drawValues(ctx, b, b.Departure, strayDepartures, "Signed distance of the reduced mesh from the fused one in %s, positive outwards. The scale ends at what 99.9 %% of the vertices keep within; what lies beyond is hatched.")
}

// drawFromRaw colours the mesh by the points of the scans around each vertex.
func drawFromRaw(ctx context.Context, b *pipeline.Built) (*Picture, error) {
	return drawValues(ctx, b, b.FromRaw, StrayPoints, "Signed distance of the scans' points from the reduced mesh in %s, the mean around each vertex, positive outwards. The scale ends at what 95 %% of the vertices keep within; what lies beyond, or has no points, is hatched.")
}

// drawValues colours the mesh by a length in mm at each vertex.
func drawValues(ctx context.Context, b *pipeline.Built, mm []float32, oneIn int, caption string) (*Picture, error) {
	if len(mm) != b.Surface.Vertices() {
		return nil, nil
	}
	s := scaleOf(b.Units)
	limit := ScaleEnd(mm, oneIn)
	if !(limit > 0) {
		limit = b.Mesh.DeviationMax
	}
	values := make([]float32, len(mm))
	for i, d := range mm {
		values[i] = d * float32(s)
	}
	unit := string(b.Units)
	if b.Units.MM() == 0 {
		unit = string(length.Millimetre)
	}
	drawn, err := render(ctx, b, widePixels, picture.RenderOptions{Values: values, Limit: s.length(limit), Unit: unit})
	if errors.Is(err, picture.ErrNothing) {
		return nil, nil
	}
	return &Picture{Caption: fmt.Sprintf(caption, unit), PNG: drawn}, err
}

// ScaleEnd is the magnitude that all but one in so many of the values keep within. A
// single stray vertex would else stretch the scale until nothing shows.
func ScaleEnd(values []float32, oneIn int) float64 {
	sizes := make([]float64, 0, len(values))
	for _, v := range values {
		if a := math.Abs(float64(v)); !math.IsNaN(a) && !math.IsInf(a, 0) {
			sizes = append(sizes, a)
		}
	}
	if len(sizes) == 0 {
		return 0
	}
	slices.Sort(sizes)
	return sizes[len(sizes)-1-(len(sizes)-1)/oneIn]
}

// DrawPlan draws the job site from above: set-ups, spheres and sights, with the
// ellipses of their uncertainty. Without a set-up or a sphere there is no plan.
func DrawPlan(c *pipeline.Checked) (Plan, error) { return drawPlan(c, sheetBox(c)) }

func drawPlan(c *pipeline.Checked, outline *geom.Box) (Plan, error) {
	plan := planOf(c, outline)
	if len(plan.SetUps) == 0 && len(plan.Spheres) == 0 {
		return Plan{}, nil
	}
	var svg, png bytes.Buffer
	if err := picture.SVG(&svg, plan); err != nil {
		return Plan{}, err
	}
	err := picture.PNG(&png, plan, 150)
	return Plan{SVG: svg.Bytes(), PNG: png.Bytes()}, err
}

// planOf carries set-ups and spheres into the frame of the deliverables. Set-ups
// that are not tied have no place and are left out.
func planOf(b *pipeline.Checked, outline *geom.Box) *picture.Plan {
	plan := &picture.Plan{Title: "Set-ups and spheres from above", AxesName: "network", Outline: outline}
	if b.Datum != nil && b.Datum.OK {
		plan.AxesName = "datum"
	}
	for _, s := range b.Stations {
		if !s.Linked {
			continue
		}
		if b.Network != nil && s.Solved >= 0 && s.Solved < len(b.Network.Stations) {
			addSights(plan, b.Network, s.Solved)
		}
		plan.SetUps = append(plan.SetUps, picture.SetUp{Name: shortName(b.Files[s.File].Path), At: b.ToFrame.Apply(s.ToNetwork.T), Cov: setUpCov(b, s), Held: true})
	}
	if b.Network == nil {
		return plan
	}
	for _, s := range b.Network.Spheres {
		plan.Spheres = append(plan.Spheres, picture.Target{Name: oneLine(s.ID), At: b.ToFrame.Apply(s.Center), Cov: b.ToFrame.R.Congruent(s.Cov), Moved: s.Status == network.Moved})
	}
	return plan
}

// addSights draws the sights of the set-up that is added next.
func addSights(plan *picture.Plan, n *network.Result, solved int) {
	for _, sphere := range n.Stations[solved].Spheres {
		if sphere >= 0 {
			plan.Sights = append(plan.Sights, picture.Sight{SetUp: len(plan.SetUps), Sphere: sphere, Used: n.Spheres[sphere].Status != network.Single})
		}
	}
}

// setUpCov is the covariance of where the scanner stood, mm², zero where no
// adjustment says it.
func setUpCov(b *pipeline.Checked, s pipeline.Station) geom.Mat {
	if b.Network == nil || s.Solved < 0 || s.Solved >= len(b.Network.Stations) {
		return geom.Mat{}
	}
	return b.ToFrame.R.Congruent(b.Network.Stations[s.Solved].Cov.Block(3, 3))
}

func sheetBox(c *pipeline.Checked) *geom.Box {
	if c.Job == nil {
		return nil
	}
	return c.Job.Object
}

// outline is the box that the sheet keeps, else that of the mesh.
func outline(b *pipeline.Built) *geom.Box {
	if box := sheetBox(&b.Checked); box != nil {
		return box
	}
	if size := b.Mesh.Bounds.Size(); b.Mesh.Triangles == 0 || b.Mesh.Bounds.IsEmpty() || math.IsInf(size.Norm(), 0) {
		return nil
	}
	return &b.Mesh.Bounds
}

// shortName is a file's name without folder and ending.
func shortName(file string) string {
	base := path.Base(file)
	return oneLine(strings.TrimSuffix(base, path.Ext(base)))
}
