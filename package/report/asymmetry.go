package report

import (
	"bytes"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/picture"
)

func asymmetryOf(c *pipeline.Checked, s scale) *Asymmetry {
	if len(c.Uneven) == 0 {
		return nil
	}
	sizes := make([]float64, len(c.Uneven))
	for i, p := range c.Uneven {
		sizes[i] = math.Abs(p.Off)
	}
	slices.Sort(sizes)
	return &Asymmetry{Places: len(sizes), Median: s.length(sizes[len(sizes)/2]), P95: s.length(sizes[(95*len(sizes)-1)/100]), Largest: s.length(sizes[len(sizes)-1])}
}

// DrawAsymmetry draws how far a job's object stands out beyond its own mirror image; nil
// where no mirror plane holds the datum.
func DrawAsymmetry(c *pipeline.Checked) (*Picture, error) { return drawAsymmetry(c, sheetBox(c)) }

func drawAsymmetry(c *pipeline.Checked, box *geom.Box) (*Picture, error) {
	if len(c.Uneven) == 0 {
		return nil, nil
	}
	s, unit := scaleOf(c.Units), string(c.Units)
	if c.Units.MM() == 0 {
		unit = string(length.Millimetre)
	}
	a := asymmetryOf(c, s)
	drawing := &picture.Apart{Title: "The object against its own mirror image", Unit: unit, Outline: box,
		Because: fmt.Sprintf("half of %d places lie within %.2g %s of it, 95 %% within %.2g %s", a.Places, a.Median, unit, a.P95, unit)}
	var sizes []float64
	for _, p := range c.Uneven {
		drawing.Places = append(drawing.Places, picture.Distance{At: p.At, Value: s.length(p.Off)})
		sizes = append(sizes, math.Abs(s.length(p.Off)))
	}
	slices.Sort(sizes)
	// The scale ends where most of what is symmetric ends; what was built on one side alone
	// lies beyond it, in a colour of its own.
	drawing.Limit = roundUp(4 * sizes[len(sizes)*3/4])
	var png bytes.Buffer
	err := picture.PNG(&png, drawing, 150)
	return &Picture{Caption: "How far the object stands out beyond its own mirror image in the datum's plane Y = 0, positive outwards, a dot a place. What has no counterpart near it is not drawn.", PNG: png.Bytes()}, err
}
