// Package coverage tells how much of the surface in a required region was seen, how
// densely, at what incidence and by which instrument.
//
// The region is cut into cells. A cell with points holds surface; the scan that saw it
// best decides whether it was seen densely enough or too sparsely. Surface that no scan has
// a single point of cannot be told from air by that: it is known by the openings that the
// seen surface leaves and that nobody looked through (Gaps, Explain). Whatever spans the edge
// of an opening, a face or the walls of a cavity behind it, has at least the area of the
// edge's vector area; where two openings face each other closely, as parts do that touch,
// their vector areas cancel (Least). So much is counted as unseen. The areas of all
// closing faces are more, and are reported beside it. A region without any point counts as
// not seen at all. Next says from where the most would be seen.
package coverage

import (
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
)

// Result is how well a region was seen.
type Result struct {
	Name     string
	Seen     float64 // share of the region's surface that was seen densely enough, 0 to 1, of that in gaps too
	Share    float64 // required
	Dense    float64 // share of the surface seen that was seen densely enough
	Spacing  float64 // point spacing that 95 % of the seen surface reach, mm; 0 where nothing was seen
	Limit    float64 // largest allowed spacing, mm
	Unseen   float64 // share of the region's surface that is known to lie in gaps nobody looked through, 0 to 1
	Missing  float64 // share that may lie in them
	Squint   Squint
	By       []Seen // each instrument alone, in the order of the sheet
	Findings []job.Finding
}

// Seen is how much of a region's surface one instrument saw.
type Seen struct {
	Instrument int     // index into the sheet's instruments
	Seen       float64 // share of all of the region's surface that it saw densely enough
	Any        float64 // share that it has any point of
	Spacing    float64 // that 95 % of what it saw reach, mm; 0 where it saw nothing
	Squint     Squint
}

// Squint is the incidence at which surface was seen, each place by the scan that saw it
// most squarely. Only scans of known standpoint have one.
type Squint struct {
	Known   float64 // share of the surface seen whose incidence is known
	Median  float64 // degrees from the normal; 0 where none is known
	Grazing float64 // share of what is known that is flatter than 75 degrees
}

// Region collects what was seen of one required region. Add the points of every
// scan, then ask for the Result.
type Region struct {
	want       job.Region
	cell       float64
	nx, ny, nz int
	slot       []int32 // a cell: one more than its place in the lists below
	where      []int32 // a place: its cell
	best       []int32 // points of the scan that saw it best
	now        []inCell
	by         [][]ownCell // by instrument
	touched    []int32     // places with points of the scan being added
}

// inCell is what the scan being added has in a cell.
type inCell struct {
	points   int32
	cos, num float32 // sum of cosines of the incidence, and their number
}

// ownCell is what an instrument's best scans have in a cell.
type ownCell struct {
	points int32
	cos    float32 // of the incidence; 0 where unknown
}

// maxCells bounds the memory of a region to 4 bytes times this, beside what the
// surface in it takes.
const maxCells = 4_000_000

// NewRegion prepares a region that so many instruments look at. Cells are three spacings
// wide, so that a cell at the limit holds nine points and chance leaves hardly one empty,
// or wider where the region is very large for its spacing. r.Spacing must be above zero
// and the box finite, as the job sheet's limits see to.
func NewRegion(r job.Region, instruments int) *Region {
	size := r.Box.Size()
	cell := 3 * r.Spacing
	for cells(size.X, cell)*cells(size.Y, cell)*cells(size.Z, cell) > maxCells {
		cell *= 1.05 // counts are whole, and a flat box has no volume to divide
	}
	g := &Region{want: r, cell: cell, by: make([][]ownCell, instruments)}
	g.nx, g.ny, g.nz = int(cells(size.X, cell)), int(cells(size.Y, cell)), int(cells(size.Z, cell))
	g.slot = make([]int32, g.nx*g.ny*g.nz)
	return g
}

// cells is a float64, since the product of three counts may exceed an int.
func cells(length, cell float64) float64 { return math.Max(1, math.Ceil(length/cell)) }

// Box returns the region's box, in the datum's frame.
func (g *Region) Box() geom.Box { return g.want.Box }

func (g *Region) at(p geom.Vec) int {
	d := p.Sub(g.want.Box.Min).Scale(1 / g.cell)
	i, j, k := min(int(d.X), g.nx-1), min(int(d.Y), g.ny-1), min(int(d.Z), g.nz-1)
	return (k*g.ny+j)*g.nx + i
}

// AddPoint counts a point of the current scan, in the datum's frame; points
// outside the region are passed over.
func (g *Region) AddPoint(p geom.Vec) {
	if !g.want.Box.Contains(p) {
		return
	}
	c := g.at(p)
	k := g.slot[c]
	if k == 0 {
		g.where, g.best, g.now = append(g.where, int32(c)), append(g.best, 0), append(g.now, inCell{})
		k = int32(len(g.where))
		g.slot[c] = k
	}
	x := &g.now[k-1]
	if x.points == 0 {
		g.touched = append(g.touched, k-1)
	}
	x.points++
}

// AddSight tells at what incidence the current scan saw a place, by its cosine. It counts
// where the scan has points as well.
func (g *Region) AddSight(p geom.Vec, cos float64) {
	if !g.want.Box.Contains(p) {
		return
	}
	if k := g.slot[g.at(p)]; k > 0 && g.now[k-1].points > 0 {
		x := &g.now[k-1]
		x.cos, x.num = x.cos+float32(math.Min(1, math.Abs(cos))), x.num+1
	}
}

// EndScan closes the current scan, of one of the instruments: a place counts as seen as
// densely, and as squarely, as the scan that saw it best saw it.
func (g *Region) EndScan(instrument int) {
	own := g.by[instrument]
	own = append(own, make([]ownCell, len(g.where)-len(own))...)
	for _, k := range g.touched {
		x := &g.now[k]
		g.best[k] = max(g.best[k], x.points)
		own[k].points = max(own[k].points, x.points)
		if x.num > 0 {
			own[k].cos = max(own[k].cos, x.cos/x.num)
		}
		*x = inCell{}
	}
	g.by[instrument], g.touched = own, g.touched[:0]
}

// Hole is the surface in a region that was seen and the one in gaps that nobody looked
// through, mm².
type Hole struct {
	Seen    float64
	Known   float64 // at least so much was not seen
	Missing float64 // of all closing faces
}

// shares returns Known and Missing as shares of all surface.
func (h Hole) shares() (known, missing float64) {
	if h.Seen > 0 {
		known, missing = h.Known/(h.Seen+h.Known), h.Missing/(h.Seen+h.Missing)
	}
	return known, math.Max(known, missing)
}

// Result judges the region; hole says what of it may lie in gaps.
func (g *Region) Result(hole Hole) Result {
	r := Result{Name: g.want.Name, Share: g.want.Share, Limit: g.want.Spacing}
	r.Unseen, r.Missing = hole.shares()
	var dense float64
	var spacings, cosines []float64
	for k, n := range g.best {
		s := g.spacing(n)
		if s <= g.limit() || s <= edgeSlack*g.limit() && g.besideDense(g.where[k]) {
			dense++
		}
		spacings = append(spacings, s)
		cosines = append(cosines, g.squarest(k))
	}
	if len(spacings) > 0 {
		r.Dense = dense / float64(len(spacings))
	}
	r.Seen = r.Dense * (1 - r.Unseen)
	r.Spacing, r.Squint = reached(spacings), squintOf(cosines)
	for i := range g.by {
		if x, ok := g.alone(i, 1-r.Unseen); ok {
			r.By = append(r.By, x)
		}
	}
	r.Findings = g.findings(r)
	return r
}

// alone is what one instrument saw; seen is the share of the surface that any saw.
func (g *Region) alone(instrument int, seen float64) (Seen, bool) {
	x := Seen{Instrument: instrument}
	var dense, any float64
	var spacings, cosines []float64
	for k, own := range g.by[instrument] {
		if own.points == 0 {
			continue
		}
		any++
		s := g.spacing(own.points)
		// What a cell at the surface's edge holds less of is what all together settle: it is
		// dense for this one if it is for all and this one has as many points there.
		if s <= g.limit() || own.points == g.best[k] && s <= edgeSlack*g.limit() && g.besideDense(g.where[k]) {
			dense++
		}
		spacings, cosines = append(spacings, s), append(cosines, float64(own.cos))
	}
	if any == 0 {
		return x, false
	}
	all := float64(len(g.best)) / seen
	x.Seen, x.Any, x.Spacing, x.Squint = dense/all, any/all, reached(spacings), squintOf(cosines)
	return x, true
}

// squarest is the cosine of the best incidence at a place, 0 where none is known.
func (g *Region) squarest(k int) float64 {
	cos := float32(0)
	for _, own := range g.by {
		if k < len(own) {
			cos = max(cos, own[k].cos)
		}
	}
	return float64(cos)
}

// reached is the spacing that 95 % reach.
func reached(spacings []float64) float64 {
	if len(spacings) == 0 {
		return 0
	}
	slices.Sort(spacings)
	return spacings[len(spacings)*95/100]
}

func squintOf(cosines []float64) Squint {
	known := slices.DeleteFunc(slices.Clone(cosines), func(c float64) bool { return c == 0 })
	if len(known) == 0 {
		return Squint{}
	}
	slices.Sort(known)
	flat, _ := slices.BinarySearch(known, flattest)
	n := float64(len(known))
	return Squint{Known: n / float64(len(cosines)), Median: math.Acos(known[len(known)/2]) * 180 / math.Pi, Grazing: float64(flat) / n}
}

// edgeSlack allows for cells that the surface only clips: a quarter of a cell's
// face still counts, which doubles the spacing seen. Only a cell beside a truly
// dense one is taken for clipped, else a surface scanned at twice the limit would pass.
const edgeSlack = 2

// limit is the allowed spacing, with room for the rounding of three spacings.
func (g *Region) limit() float64 { return g.want.Spacing * (1 + 1e-9) }

// spacing is infinite for an empty cell. A surface through a cell covers about
// the cell's face; its points share that.
func (g *Region) spacing(points int32) float64 { return g.cell / math.Sqrt(float64(points)) }

// besideDense reports whether one of the 26 cells around c is dense.
func (g *Region) besideDense(cell int32) bool {
	c := int(cell)
	i, j, k := c%g.nx, c/g.nx%g.ny, c/(g.nx*g.ny)
	for z := max(0, k-1); z <= min(g.nz-1, k+1); z++ {
		for y := max(0, j-1); y <= min(g.ny-1, j+1); y++ {
			for x := max(0, i-1); x <= min(g.nx-1, i+1); x++ {
				if s := g.slot[(z*g.ny+y)*g.nx+x]; s > 0 && g.spacing(g.best[s-1]) <= g.limit() {
					return true
				}
			}
		}
	}
	return false
}

func (g *Region) findings(r Result) []job.Finding {
	f := job.Finding{Code: job.RegionUncovered, Severity: job.Hold, Subject: r.Name}
	percent := func(x float64) string { return fmt.Sprintf("%.0f %%", 100*x) }
	unseen := ""
	if r.Unseen >= 0.01 {
		unseen = fmt.Sprintf("; at least %s of it lie in gaps that nobody looked through", percent(r.Unseen))
	}
	switch {
	case r.Seen >= r.Share && r.Dense*(1-r.Missing) >= r.Share:
		return nil
	case r.Seen >= r.Share:
		f.Severity = job.Note
		f.Text = fmt.Sprintf("Of the surface in region %s %s were seen densely enough, but about %s may lie in gaps that nobody looked through, so that %s of all of it, as required, are not sure. To do: see whether the gaps are where parts touch each other, or scan them.",
			r.Name, percent(r.Seen), percent(r.Missing), percent(r.Share))
		return []job.Finding{f}
	}
	f.Text = fmt.Sprintf("Only %s of the surface in region %s were seen with a point spacing of %s or less, %s are required", percent(r.Seen), r.Name, length.Format(r.Limit, length.Millimetre), percent(r.Share))
	switch {
	case r.Spacing == 0:
		f.Text += "; no scan has any point there. To do: check the region's box in the job sheet, then scan that region."
	case r.Dense >= r.Share:
		f.Text += unseen + ". What was seen is dense enough. To do: scan what the gaps show; the report draws them and says from where most of them would be seen."
	default:
		f.Text += fmt.Sprintf("%s; 95 %% of what was seen have a spacing of %s. To do: scan it from nearer or more squarely, an underside with the hand scanner.", unseen, length.Format(r.Spacing, length.Millimetre))
	}
	return []job.Finding{f}
}
