// Package coverage tells how much of the surface in a required region was seen
// densely enough.
//
// The region is cut into cells. A cell with points holds surface; the instrument
// that saw it best decides whether it was seen densely enough or too sparsely. The
// share is that of the dense cells among all cells with surface. Surface that no
// scan has a single point of cannot be told from air by that: it is estimated by the
// openings that the seen surface leaves and that nobody looked through (Gaps, Explain).
// That is an upper bound, since parts that touch each other leave openings as well, so it
// is reported beside the share and does not lower it. A region without any point counts as
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
	Seen     float64 // share of the region's surface that was seen densely enough, 0 to 1
	Share    float64 // required
	Spacing  float64 // point spacing that 95 % of the seen surface reach, mm; 0 where nothing was seen
	Limit    float64 // largest allowed spacing, mm
	Missing  float64 // share of the region's surface that may lie in gaps nobody looked through, 0 to 1
	Findings []job.Finding
}

// Region collects what was seen of one required region. Add the points of every
// scan, then ask for the Result.
type Region struct {
	want       job.Region
	cell       float64
	nx, ny, nz int
	points     []int32 // a cell, of the instrument that saw it best
	current    []int32 // a cell, of the scan being added
}

// maxCells bounds the memory of a region to 8 bytes times this.
const maxCells = 4_000_000

// NewRegion prepares a region. Cells are three spacings wide, so that a cell at
// the limit holds nine points and chance leaves hardly one empty, or wider where
// the region is very large for its spacing. r.Spacing must be above zero and the
// box finite, as the job sheet's limits see to.
func NewRegion(r job.Region) *Region {
	size := r.Box.Size()
	cell := 3 * r.Spacing
	for cells(size.X, cell)*cells(size.Y, cell)*cells(size.Z, cell) > maxCells {
		cell *= 1.05 // counts are whole, and a flat box has no volume to divide
	}
	g := &Region{want: r, cell: cell}
	g.nx, g.ny, g.nz = int(cells(size.X, cell)), int(cells(size.Y, cell)), int(cells(size.Z, cell))
	n := g.nx * g.ny * g.nz
	g.points, g.current = make([]int32, n), make([]int32, n)
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
	if g.want.Box.Contains(p) {
		g.current[g.at(p)]++
	}
}

// EndScan closes the current scan: a place counts as seen as densely as the scan
// that saw it best saw it.
func (g *Region) EndScan() {
	for c, n := range g.current {
		g.points[c] = max(g.points[c], n)
		g.current[c] = 0
	}
}

// Result judges the region; missing is the share of its surface that may lie in gaps.
func (g *Region) Result(missing float64) Result {
	r := Result{Name: g.want.Name, Share: g.want.Share, Limit: g.want.Spacing, Missing: missing}
	var dense, sparse float64
	var spacings []float64
	for c, n := range g.points {
		if n == 0 {
			continue
		}
		s := g.spacing(c)
		if s <= g.limit() || s <= edgeSlack*g.limit() && g.besideDense(c) {
			dense++
		} else {
			sparse++
		}
		spacings = append(spacings, s)
	}
	if total := dense + sparse; total > 0 {
		r.Seen = dense / total
	}
	if len(spacings) > 0 {
		slices.Sort(spacings)
		r.Spacing = spacings[len(spacings)*95/100]
	}
	r.Findings = g.findings(r)
	return r
}

// edgeSlack allows for cells that the surface only clips: a quarter of a cell's
// face still counts, which doubles the spacing seen. Only a cell beside a truly
// dense one is taken for clipped, else a surface scanned at twice the limit would pass.
const edgeSlack = 2

// limit is the allowed spacing, with room for the rounding of three spacings.
func (g *Region) limit() float64 { return g.want.Spacing * (1 + 1e-9) }

// spacing is infinite for an empty cell. A surface through a cell covers about
// the cell's face; its points share that.
func (g *Region) spacing(c int) float64 { return g.cell / math.Sqrt(float64(g.points[c])) }

// besideDense reports whether one of the 26 cells around c is dense.
func (g *Region) besideDense(c int) bool {
	i, j, k := c%g.nx, c/g.nx%g.ny, c/(g.nx*g.ny)
	for z := max(0, k-1); z <= min(g.nz-1, k+1); z++ {
		for y := max(0, j-1); y <= min(g.ny-1, j+1); y++ {
			for x := max(0, i-1); x <= min(g.nx-1, i+1); x++ {
				if g.spacing((z*g.ny+y)*g.nx+x) <= g.limit() {
					return true
				}
			}
		}
	}
	return false
}

func (g *Region) findings(r Result) []job.Finding {
	if r.Seen >= r.Share {
		if r.Seen*(1-r.Missing) >= r.Share {
			return nil
		}
		return []job.Finding{{Code: job.RegionUncovered, Severity: job.Note, Subject: r.Name,
			Text: fmt.Sprintf("Of the surface seen in region %s %.0f %% are dense enough, but about %.0f %% more may lie in gaps that nobody looked through, so that %.0f %% of all of it, as required, are not sure. To do: see whether the gaps are where parts touch each other, or scan them.",
				r.Name, 100*r.Seen, 100*r.Missing, 100*r.Share)}}
	}
	text := fmt.Sprintf("Only %.0f %% of the surface in region %s was seen with a point spacing of %s or less, %.0f %% are required",
		100*r.Seen, r.Name, length.Format(r.Limit, length.Millimetre), 100*r.Share)
	if r.Spacing == 0 {
		text += "; no scan has any point there. To do: check the region's box in the job sheet, then scan that region."
	} else {
		if r.Missing >= 0.01 {
			text += fmt.Sprintf("; about %.0f %% of it may lie in gaps that nobody looked through", 100*r.Missing)
		}
		text += fmt.Sprintf("; 95 %% of what was seen have a spacing of %s. To do: scan it from nearer or more squarely, an underside with the hand scanner.", length.Format(r.Spacing, length.Millimetre))
	}
	return []job.Finding{{Code: job.RegionUncovered, Severity: job.Hold, Subject: r.Name, Text: text}}
}
