package surface

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Cause is what would have to be true of the source for it to fit the target.
type Cause struct {
	Mirrored  bool      // the source is a mirror image
	InsideOut bool      // its normals point to the side that was not seen
	Scale     float64   // its lengths must be multiplied by this; 1 where they are right
	Placement Placement // of the source so changed, about its frame's zero point
	Text      string    // a full sentence saying so
}

// Diagnose looks for the reason why Locate found no trusted placement: a source that
// is inside out, a mirror image, or in another unit. It tries each change that
// makes the two sizes plausible and returns the first under which a placement is
// confident; ok is false when there is none. It takes as long as several placements.
func Diagnose(ctx context.Context, source, target *scan.Cloud, o LocateOptions) (cause Cause, ok bool, err error) {
	for _, c := range causes(source, target) {
		changed := c
		moved, sight := c.apply(source, o.SourceSight)
		found, err := Locate(ctx, moved, target, LocateOptions{Grain: o.Grain, SourceSight: sight, TargetSight: o.TargetSight})
		if errors.Is(err, ErrNoOverlap) {
			continue
		}
		if err != nil {
			return Cause{}, false, err
		}
		if found[0].Confident() {
			changed.Placement, changed.Text = found[0], c.text(found[0].Meets())
			return changed, true, nil
		}
	}
	return Cause{}, false, nil
}

// Sizes of a source, as shares of the target's, between which a unit is plausible,
// and how many units are tried, those first that make the sizes most alike.
const (
	leastSize = 1.0 / 20
	mostSize  = 2.0
	mostUnits = 3
)

// causes returns the changes to try, the most common first. Where the sizes alone
// rule the unit out, only other units are tried.
func causes(source, target *scan.Cloud) []Cause {
	var out []Cause
	ratio := source.Bounds().Size().Norm() / target.Bounds().Size().Norm()
	if isPlausible(ratio) {
		out = []Cause{{Scale: 1, InsideOut: true}, {Scale: 1, Mirrored: true}, {Scale: 1, Mirrored: true, InsideOut: true}}
	}
	var units []float64
	for _, mm := range []float64{1000, 304.8, 25.4, 10} { // metre, foot, inch, centimetre
		for _, f := range []float64{mm, 1 / mm} {
			if isPlausible(ratio * f) {
				units = append(units, f)
			}
		}
	}
	slices.SortStableFunc(units, func(a, b float64) int {
		return cmp.Compare(math.Abs(math.Log(a*ratio)), math.Abs(math.Log(b*ratio)))
	})
	for _, f := range units[:min(len(units), mostUnits)] {
		out = append(out, Cause{Scale: f})
	}
	return out
}

// isPlausible says that a source so many times as wide as the target may be in its unit.
func isPlausible(ratio float64) bool { return ratio > leastSize && ratio < mostSize }

// apply returns the source as it would be.
func (c *Cause) apply(source *scan.Cloud, s Sight) (*scan.Cloud, Sight) {
	m := geom.Diag(c.Scale, c.Scale, c.Scale)
	sign := 1.0
	if c.Mirrored {
		m = geom.Diag(-c.Scale, c.Scale, c.Scale)
	}
	if c.InsideOut {
		sign = -1
	}
	out := &scan.Cloud{Origin: m.MulVec(source.Origin)}
	for i := range source.X {
		out.Append(m.MulVec(source.At(i)))
		n := m.MulVec(source.Normal(i)).Scale(sign / c.Scale)
		out.NX, out.NY, out.NZ = append(out.NX, float32(n.X)), append(out.NY, float32(n.Y)), append(out.NZ, float32(n.Z))
	}
	s.Vec = m.MulVec(s.Vec)
	return out, s
}

func (c *Cause) text(meets float64) string {
	what := "inside out, its normals point away from the scanner"
	switch {
	case c.Scale != 1:
		what = fmt.Sprintf("in another unit: its lengths times %.6g fit", c.Scale)
	case c.Mirrored && c.InsideOut:
		what = "a mirror image with its faces turned over"
	case c.Mirrored:
		what = "a mirror image"
	}
	return fmt.Sprintf("The scan seems to be %s; so changed, %.0f %% of the smaller surface meets the other.", what, 100*meets)
}
