package pipeline

import (
	"context"
	"fmt"
	"image"

	"trammel/pipeline/job"
	"trammel/pipeline/picture"
)

// View is a picture of a scan and what it is a view of.
type View struct {
	Name  string // "range", "above" or "front"
	Image *image.RGBA
}

// Show draws one of the files checked: a set-up as its scanner saw it and from
// above, any other scan from above and from the front. A file that could not be
// read has no pictures.
func (c *Checked) Show(ctx context.Context, file int) ([]View, error) {
	f := &c.Files[file]
	if !f.Readable {
		return nil, nil
	}
	content, _, err := readScan(ctx, f.Disk, f.Scan, isSetUp(f.Kind), scaleOf(f.Units))
	if err != nil {
		return nil, err
	}
	points := pointsOf(content)
	setUp := isSetUp(f.Kind) && content.Mesh == nil
	title := func(what string) string {
		return fmt.Sprintf("%s: %s (%d points)", job.Printable(f.Path), what, points.Len())
	}
	var balls []picture.Ball
	for i, b := range f.Spheres {
		balls = append(balls, picture.Ball{Name: fmt.Sprintf("%d", i+1), At: b.Center, Radius: b.Diameter / 2, Used: b.Usable})
	}
	above, err := picture.Density(ctx, points, picture.Above, setUp, picture.Seen{Title: title("from above"), Balls: balls})
	if err != nil {
		return nil, err
	}
	other := View{Name: "front"}
	if setUp {
		other.Name = "range"
		other.Image, err = picture.RangeImage(ctx, points, picture.Seen{Title: title("as the scanner saw it"), Balls: balls})
	} else {
		other.Image, err = picture.Density(ctx, points, picture.Front, false, picture.Seen{Title: title("from the front")})
	}
	return []View{other, {Name: "above", Image: above}}, err
}
