package report

import (
	"bytes"
	"fmt"
	"strings"

	"trammel/pipeline"
	"trammel/pipeline/coverage"
	"trammel/pipeline/job"
	"trammel/pipeline/picture"
)

// Coverage is how well a required region was seen.
type Coverage struct {
	Name    string  `json:"name"`
	Seen    float64 `json:"seen"`
	Share   float64 `json:"share"`
	Spacing float64 `json:"spacing"`
	Missing float64 `json:"missing"` // share of the region's surface that may lie in gaps
}

// Unseen is what the scans did not show of the object, as far as its openings tell.
type Unseen struct {
	Share   float64 `json:"share"`   // of the surface that was seen
	Seen    float64 `json:"seen"`    // area, in the job's units, squared
	Missing float64 `json:"missing"` // area of the closing faces of gaps nobody looked through: an upper bound
	Gaps    []Gap   `json:"gaps"`    // the largest first
	Next    []Stand `json:"next"`    // where a set-up would see most of them, the best first
}

// Gap is an opening in what was seen.
type Gap struct {
	Center Vec3    `json:"center"`
	Normal Vec3    `json:"normal"`
	Area   float64 `json:"area"`
	Reason string  `json:"reason"` // "never in sight", "only grazing", "no return", or "open" where a scanner looked through
	Best   string  `json:"best"`   // the set-up that came nearest to seeing it
	Edge   []Vec3  `json:"edge"`   // some of its corners, in order
}

// Stand is a place for the scanner and what it would add.
type Stand struct {
	At   Vec3    `json:"at"`
	Adds float64 `json:"adds"` // area
}

func unseenOf(u *pipeline.Unseen, s scale) *Unseen {
	if u == nil {
		return nil
	}
	square := func(mm2 float64) float64 { return tidy(mm2 * float64(s) * float64(s)) }
	out := &Unseen{Share: tidy(u.Share()), Seen: square(u.Seen), Missing: square(u.Missing), Gaps: []Gap{}, Next: []Stand{}}
	for _, g := range u.Gaps {
		x := Gap{Center: s.vec(g.Center), Normal: unscaled(g.Normal), Area: square(g.Area), Reason: string(g.Reason), Best: g.Best, Edge: []Vec3{}}
		for _, p := range g.Loop {
			x.Edge = append(x.Edge, s.vec(p))
		}
		out.Gaps = append(out.Gaps, x)
	}
	for _, n := range u.Next {
		out.Next = append(out.Next, Stand{s.vec(n.At), square(n.Adds)})
	}
	return out
}

func coverageSection(r *Report, p *Pictures, f figures) section {
	s := section{ID: "coverage", Title: "Coverage"}
	if len(r.Coverage) == 0 {
		s.Text = []string{"The job sheet names no regions that must be seen."}
	} else {
		s.Text = []string{"The spacing is what 95 % of the seen surface reach. What may lie in gaps is an upper bound: parts that touch each other leave openings as well."}
		t := table{Caption: "Regions that must be seen", Columns: []column{{Name: "Region", Share: 6}, {Name: "Seen", Share: 3, Number: true}, {Name: "Needed", Share: 3, Number: true},
			{Name: f.in("Spacing"), Share: 3, Number: true}, {Name: "In gaps", Share: 3, Number: true}}}
		for _, c := range r.Coverage {
			g := one(c.Name, percent(c.Seen), percent(c.Share), f.at(c.Spacing), percent(c.Missing))
			if c.Seen < c.Share {
				g.Mark = job.Hold
			}
			t.Groups = append(t.Groups, g)
		}
		s.Tables = []table{t}
	}
	if r.Unseen != nil {
		s.unseen(r.Unseen, f)
	}
	if p.Gaps != nil {
		s.Figures = append(s.Figures, figure{Caption: p.Gaps.Caption, PNG: p.Gaps.PNG, Wide: true})
	}
	return s
}

// mostGaps is what a reader takes in; the JSON has them all.
const mostGaps = 8

func (s *section) unseen(u *Unseen, f figures) {
	t := table{Caption: "The largest gaps that no scanner looked through", Columns: []column{{Name: f.in("Middle X, Y, Z"), Share: 5, Number: true}, {Name: "Area", Share: 3, Number: true},
		{Name: "Why", Share: 4}, {Name: "Nearest to seeing it", Share: 5}}}
	for _, g := range u.Gaps {
		if g.Reason != string(coverage.Open) && len(t.Groups) < mostGaps {
			t.Groups = append(t.Groups, one(beside(g.Center, ", ", f.coarse), area(g.Area, f.unit), g.Reason, orDash(g.Best)))
		}
	}
	s.Text = append(s.Text, fmt.Sprintf("About %s of the object's surface was seen, as far as the openings that are left tell: %s, with %s in gaps.", percent(u.Share), area(u.Seen, f.unit), area(u.Missing, f.unit)))
	if len(u.Next) > 0 && u.Next[0].Adds > 0 {
		s.Text = append(s.Text, fmt.Sprintf("A further set-up at %s would see about %s of them.", place(u.Next[0].At, f), area(u.Next[0].Adds, f.unit)))
	}
	if len(t.Groups) > 0 {
		s.Tables = append(s.Tables, t)
	}
}

func orDash(s string) string {
	if strings.TrimSpace(s) == "" {
		return "–"
	}
	return s
}

// drawGaps shows the gaps and where to stand next; nothing where there are none.
func drawGaps(b *pipeline.Built) (*Picture, error) {
	u, box := b.Unseen, outline(b)
	if u == nil || box == nil {
		return nil, nil
	}
	drawing := &picture.Gaps{Title: "What was not seen", Object: *box}
	for _, g := range u.Gaps {
		kind, ok := map[coverage.Reason]int{coverage.Hidden: 0, coverage.Grazing: 1, coverage.Mute: 2}[g.Reason]
		if ok {
			drawing.Gaps = append(drawing.Gaps, picture.Opening{Edge: g.Loop, Kind: kind})
		}
	}
	if len(drawing.Gaps) == 0 {
		return nil, nil
	}
	for _, s := range b.Stations {
		if s.Linked {
			drawing.SetUps = append(drawing.SetUps, b.ToFrame.Apply(s.ToNetwork.T))
		}
	}
	if len(u.Next) > 0 && u.Next[0].Adds > 0 {
		drawing.Next = &u.Next[0].At
	}
	var png bytes.Buffer
	err := picture.PNG(&png, drawing, 150)
	return &Picture{Caption: "Gaps in what was seen, filled by why there is nothing in them, the set-ups, and where a further one would see most of them.", PNG: png.Bytes()}, err
}
