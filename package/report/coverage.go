package report

import (
	"bytes"
	"fmt"
	"strings"

	"trammel/pipeline"
	"trammel/pipeline/coverage"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/picture"
)

// Coverage is how well a required region was seen.
type Coverage struct {
	Name        string     `json:"name"`
	Seen        float64    `json:"seen"` // share of its surface, of what is known to lie in gaps too, that was seen densely enough
	Share       float64    `json:"share"`
	Spacing     float64    `json:"spacing"`
	Dense       float64    `json:"dense"`   // share of the surface seen that was seen densely enough
	Unseen      float64    `json:"unseen"`  // share of its surface that at the least lies in gaps nobody looked through
	Missing     float64    `json:"missing"` // share of the region's surface that may lie in gaps
	Incidence   *Incidence `json:"incidence"`
	Instruments []SeenBy   `json:"instruments"`
}

// SeenBy is what one instrument alone saw.
type SeenBy struct {
	Name      string     `json:"name"`
	Seen      float64    `json:"seen"` // share of all of the surface that it saw densely enough
	Any       float64    `json:"any"`  // share that it has any point of
	Spacing   float64    `json:"spacing"`
	Incidence *Incidence `json:"incidence"`
}

// Incidence is at what angle to its normal surface was seen, each place by the set-up that
// saw it most squarely; null where no standpoint is known, as of tracked scans.
type Incidence struct {
	Median  float64 `json:"median"`  // degrees
	Grazing float64 `json:"grazing"` // share flatter than 75 degrees
	Known   float64 `json:"known"`   // share of the surface seen that this is about
}

// Unseen is what the scans did not show of the object, as far as its openings tell.
type Unseen struct {
	Share       float64    `json:"share"`   // of the surface that was seen, at the most
	Least       float64    `json:"least"`   // of the surface that was seen, if all closing faces of gaps are surface
	Seen        float64    `json:"seen"`    // area, in the job's units, squared
	Known       float64    `json:"known"`   // area that at the least lies in gaps nobody looked through
	Missing     float64    `json:"missing"` // area of all their closing faces
	Spacing     float64    `json:"spacing"` // that 95 % of the surface seen reach
	Incidence   *Incidence `json:"incidence"`
	Instruments []SeenBy   `json:"instruments"`
	Gaps        []Gap      `json:"gaps"` // the largest first
	Next        []Stand    `json:"next"` // where a set-up would see most of them, the best first
}

func coverageOf(c *pipeline.Checked, x *coverage.Result, s scale) Coverage {
	return Coverage{Name: x.Name, Seen: tidy(x.Seen), Share: x.Share, Spacing: s.length(x.Spacing), Dense: tidy(x.Dense), Unseen: tidy(x.Unseen), Missing: tidy(x.Missing),
		Incidence: incidenceOf(x.Squint), Instruments: seenBy(c, x.By, s)}
}

func coverages(c *pipeline.Checked, s scale) []Coverage {
	out := []Coverage{}
	for i := range c.Coverage {
		out = append(out, coverageOf(c, &c.Coverage[i], s))
	}
	return out
}

func incidenceOf(q coverage.Squint) *Incidence {
	if q.Known == 0 {
		return nil
	}
	return &Incidence{Median: tidy(q.Median), Grazing: tidy(q.Grazing), Known: tidy(q.Known)}
}

func seenBy(c *pipeline.Checked, list []coverage.Seen, s scale) []SeenBy {
	out := []SeenBy{}
	for _, x := range list {
		out = append(out, SeenBy{Name: c.Job.Instruments[x.Instrument].Name, Seen: tidy(x.Seen), Any: tidy(x.Any), Spacing: s.length(x.Spacing), Incidence: incidenceOf(x.Squint)})
	}
	return out
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

func unseenOf(c *pipeline.Checked, s scale) *Unseen {
	u := c.Unseen
	if u == nil {
		return nil
	}
	square := func(mm2 float64) float64 { return tidy(mm2 * float64(s) * float64(s)) }
	out := &Unseen{Share: tidy(u.Share()), Least: tidy(u.LeastShare()), Seen: square(u.Seen), Known: square(u.Known), Missing: square(u.Missing), Instruments: []SeenBy{}, Gaps: []Gap{}, Next: []Stand{}}
	if w := c.Whole; w != nil {
		out.Spacing, out.Incidence, out.Instruments = s.length(w.Spacing), incidenceOf(w.Squint), seenBy(c, w.By, s)
	}
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
		s.Text = []string{"The spacing is what 95 % of the seen surface reach. Seen counts what is dense enough, of all surface that is known: gaps that nobody looked through are surface too, with at least the area that spans their edges; gaps that face each other, as where parts touch, count for what does not cancel. In gaps is the area of all closing faces."}
		s.Tables = []table{regionTable(r, f)}
	}
	if r.Unseen != nil {
		s.unseen(r.Unseen, f)
	}
	if p.Gaps != nil {
		s.Figures = append(s.Figures, figure{Caption: p.Gaps.Caption, PNG: p.Gaps.PNG, Wide: true})
	}
	return s
}

// regionTable has a line for each region and one for each instrument that saw it.
func regionTable(r *Report, f figures) table {
	t := table{Caption: "Regions that must be seen, and by which instrument", Columns: []column{{Name: "Region", Share: 5}, {Name: "Instrument", Share: 3}, {Name: "Seen", Share: 2.5, Number: true}, {Name: "Needed", Share: 2.5, Number: true},
		{Name: f.in("Spacing"), Share: 3, Number: true}, {Name: "Incidence,\nmedian", Share: 3, Number: true}, {Name: "Grazing", Share: 2.5, Number: true}, {Name: "In gaps", Share: 2.5, Number: true}}}
	for _, c := range r.Coverage {
		median, grazing := squint(c.Incidence)
		g := one(c.Name, "all", percent(c.Seen), percent(c.Share), f.at(c.Spacing), median, grazing, percent(c.Missing))
		for _, x := range c.Instruments {
			median, grazing = squint(x.Incidence)
			g.Rows = append(g.Rows, []string{x.Name, percent(x.Seen), "", f.at(x.Spacing), median, grazing, ""})
		}
		if c.Seen < c.Share {
			g.Mark = job.Hold
		}
		t.Groups = append(t.Groups, g)
	}
	return t
}

func squint(x *Incidence) (median, grazing string) {
	if x == nil {
		return "–", "–"
	}
	return fixed(x.Median, 0) + "°", percent(x.Grazing)
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
	s.Text = append(s.Text, fmt.Sprintf("About %s to %s of the object's surface were seen, as far as the openings that are left tell: %s, with at least %s in gaps, and %s by their closing faces. Cavities and small gaps may hide more.", percent(u.Least), percent(u.Share), area(u.Seen, f.unit), area(u.Known, f.unit), area(u.Missing, f.unit)))
	if len(u.Instruments) > 0 {
		s.Tables = append(s.Tables, wholeTable(u, f))
	}
	if len(u.Next) > 0 && u.Next[0].Adds > 0 {
		s.Text = append(s.Text, fmt.Sprintf("A further set-up at %s would see about %s of them.", place(u.Next[0].At, f), area(u.Next[0].Adds, f.unit)))
	}
	if len(t.Groups) > 0 {
		s.Tables = append(s.Tables, t)
	}
}

// wholeTable says by which instrument the object was seen.
func wholeTable(u *Unseen, f figures) table {
	t := table{Caption: "The object as a whole, by instrument", Columns: []column{{Name: "Instrument", Share: 4}, {Name: "Share of the surface", Share: 4, Number: true}, {Name: f.in("Spacing"), Share: 3, Number: true},
		{Name: "Incidence, median", Share: 3, Number: true}, {Name: "Grazing", Share: 3, Number: true}}}
	median, grazing := squint(u.Incidence)
	t.Groups = append(t.Groups, one("all", percent(u.Share), f.at(u.Spacing), median, grazing))
	for _, x := range u.Instruments {
		median, grazing = squint(x.Incidence)
		t.Groups = append(t.Groups, one(x.Name, percent(x.Any), f.at(x.Spacing), median, grazing))
	}
	return t
}

func orDash(s string) string {
	if strings.TrimSpace(s) == "" {
		return "–"
	}
	return s
}

// DrawGaps draws what was not seen of a job's object; nil where nothing says or nothing is
// left.
func DrawGaps(c *pipeline.Checked) (*Picture, error) { return drawGaps(c, sheetBox(c)) }

// drawGaps shows the gaps and where to stand next; nothing where there are none.
func drawGaps(b *pipeline.Checked, box *geom.Box) (*Picture, error) {
	u := b.Unseen
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
