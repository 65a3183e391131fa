package report

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/picture"
)

// Overlap is what two registered scans say about each other.
type Overlap struct {
	A      string  `json:"a"`
	B      string  `json:"b"`
	Median float64 `json:"median"`
	MAD    float64 `json:"mad"`
	Points int     `json:"points"`
	P95    float64 `json:"p95"`    // 95 % of the absolute distances are below
	Within float64 `json:"within"` // share of them within twice the noise
	Tie    float64 `json:"tie"`    // what registration leaves in the distance, 1 sigma
	Limit  float64 `json:"limit"`  // largest median allowed
	Motion *Motion `json:"motion"` // null where the overlap is too small to say
}

// Motion is the small motion of an overlap's b that would bring the two closest.
type Motion struct {
	Shift     Vec3    `json:"shift"`
	Turn      Vec3    `json:"turn"` // rotation vector about Center, degrees
	Center    Vec3    `json:"center"`
	Lowers    float64 `json:"lowers"`  // rms that it takes off the distances
	Allowed   float64 `json:"allowed"` // largest that ties and noise allow
	Suggested bool    `json:"suggested"`
}

// Bend is how the object's shape differed between a tracked instrument and the
// set-ups, beyond any rigid placement. Each value has its standard uncertainty.
type Bend struct {
	Instrument  string     `json:"instrument"`
	Length      float64    `json:"length"` // over which it was compared
	Along       Vec3       `json:"along"`
	Across      [2]Vec3    `json:"across"`
	Bow         [2]float64 `json:"bow"` // along each of across
	BowSigma    [2]float64 `json:"bow_sigma"`
	Twist       float64    `json:"twist"` // degrees over length
	TwistSigma  float64    `json:"twist_sigma"`
	Growth      float64    `json:"growth"`
	GrowthSigma float64    `json:"growth_sigma"`
	Explained   float64    `json:"explained"` // share of what the best rigid placement leaves
}

func overlapOf(b *pipeline.Built, o pipeline.Overlap, s scale) Overlap {
	out := Overlap{A: b.Files[o.A].Path, B: b.Files[o.B].Path, Median: s.length(o.Median), MAD: s.length(o.MAD), Points: o.Points,
		P95: s.length(o.P95), Within: tidy(o.Within), Tie: s.length(o.Tie), Limit: s.length(o.Limit)}
	if m := o.Motion; m != nil {
		out.Motion = &Motion{Shift: s.vec(m.Shift), Turn: unscaled(m.Turn.Scale(180 / math.Pi)), Center: s.vec(m.Center),
			Lowers: s.length(m.Lowers), Allowed: s.length(o.Allowed), Suggested: o.Suggested}
	}
	return out
}

func bendOf(x pipeline.Bent, s scale) Bend {
	return Bend{Instrument: x.Instrument, Length: s.length(x.Length), Along: unscaled(x.Along), Across: [2]Vec3{unscaled(x.Across[0]), unscaled(x.Across[1])},
		Bow: [2]float64{s.length(x.Bow[0]), s.length(x.Bow[1])}, BowSigma: [2]float64{s.length(x.Sigma[0]), s.length(x.Sigma[1])},
		Twist: tidy(x.TwistRad * 180 / math.Pi), TwistSigma: tidy(x.Sigma[2] * 180 / math.Pi), Growth: s.length(x.Stretch), GrowthSigma: s.length(x.Sigma[3]), Explained: tidy(x.Explained)}
}

func overlapsSection(r *Report, p *Pictures, f figures) section {
	s := section{ID: "overlaps", Title: "Overlaps"}
	if len(r.Overlaps) == 0 {
		s.Text = []string{"No two scans were compared where they overlap."}
		return s
	}
	s.Text = []string{"Signed distances between two registered scans where both saw the surface: their median shows a systematic difference, the mad (median absolute deviation) the scatter. " +
		"Motion is what the best rigid motion of the second scan would take off the distances, beside what ties and noise allow: above that, something moved."}
	t := table{Caption: "What registered scans say about each other", Columns: []column{{Name: "Scan", Share: 5}, {Name: "Against", Share: 5},
		{Name: f.in("Median"), Share: 2.2, Number: true}, {Name: f.in("mad"), Share: 2, Number: true}, {Name: f.in("95 %"), Share: 2, Number: true}, {Name: "In noise", Share: 2, Number: true},
		{Name: f.in("Motion"), Share: 2.2, Number: true}, {Name: f.in("Allowed"), Share: 2.2, Number: true}, {Name: "Points", Share: 2.2, Number: true}}}
	for _, o := range r.Overlaps {
		motion, allowed := "–", "–"
		if o.Motion != nil {
			motion, allowed = f.at(o.Motion.Lowers), f.at(o.Motion.Allowed)
		}
		t.Groups = append(t.Groups, one(o.A, o.B, f.signed(o.Median), f.at(o.MAD), f.at(o.P95), percent(o.Within), motion, allowed, grouped(int64(o.Points))))
	}
	s.Tables = []table{t}
	for _, x := range p.Apart {
		s.Figures = append(s.Figures, figure{Caption: x.Caption, PNG: x.PNG, Wide: true})
	}
	for _, x := range r.Bends {
		s.Text = append(s.Text, fmt.Sprintf("Shape of the object for %s against the set-ups, beyond any rigid placement, over %s: bow %s and %s (standard uncertainty %s and %s), twist %.3f° (%.3f°), growth %s (%s).",
			x.Instrument, f.named(x.Length), f.named(x.Bow[0]), f.named(x.Bow[1]), f.named(x.BowSigma[0]), f.named(x.BowSigma[1]), x.Twist, x.TwistSigma, f.named(x.Growth), f.named(x.GrowthSigma)))
	}
	return s
}

// unscaled is a vector without a unit of length: a direction, or angles.
func unscaled(v geom.Vec) Vec3 { return Vec3{tidy(v.X), tidy(v.Y), tidy(v.Z)} }

// mostApart is how many pairs that disagree are shown: one set-up that is off
// disagrees with all the others, and the worst pairs show it.
const mostApart = 4

// drawApart shows the pairs of scans that disagree beyond what is allowed.
func drawApart(b *pipeline.Built) ([]Picture, error) {
	var bad []pipeline.Overlap
	for _, o := range b.Overlaps {
		if o.Suggested {
			bad = append(bad, o)
		}
	}
	slices.SortStableFunc(bad, func(p, q pipeline.Overlap) int {
		return cmp.Compare(q.Motion.Lowers/q.Allowed, p.Motion.Lowers/p.Allowed)
	})
	var out []Picture
	for _, o := range bad[:min(len(bad), mostApart)] {
		drawing := apartOf(b, o)
		var png bytes.Buffer
		if err := picture.PNG(&png, drawing, 150); err != nil {
			return nil, err
		}
		out = append(out, Picture{PNG: png.Bytes(), Caption: "How far " + shortName(b.Files[o.B].Path) + " lies from " + shortName(b.Files[o.A].Path) +
			" along the surface, and the shift that would bring it closest. Each dot is a piece of surface that both saw."})
	}
	return out, nil
}

func apartOf(b *pipeline.Built, o pipeline.Overlap) *picture.Apart {
	s, unit := scaleOf(b.Units), string(b.Units)
	if b.Units.MM() == 0 {
		unit = string(length.Millimetre)
	}
	drawing := &picture.Apart{Title: shortName(b.Files[o.B].Path) + " against " + shortName(b.Files[o.A].Path), Unit: unit, Shift: o.Motion.Shift.Scale(float64(s)),
		Because: fmt.Sprintf("the best motion takes off %.3g %s rms, %.3g %s are allowed", s.length(o.Motion.Lowers), unit, s.length(o.Allowed), unit)}
	var sizes []float32
	for _, p := range o.Places {
		drawing.Places = append(drawing.Places, picture.Distance{At: p.At, Value: s.length(p.Mean)})
		sizes = append(sizes, float32(s.length(p.Mean)))
	}
	drawing.Limit = ScaleEnd(sizes, strayDepartures)
	return drawing
}
