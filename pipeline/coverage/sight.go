package coverage

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Sight is a coarse range image of one set-up: the shortest range in each cell
// of azimuth and elevation.
type Sight struct {
	step       float64 // radians a cell
	cols, rows int
	ranges     []float32 // 0 where nothing came back
}

// sightRows is the number of elevation cells over 180°: half a degree a cell,
// 44 mm at 5 m, finer than the cells of a region it is asked about.
const sightRows = 360

// NewSight makes the range image of a station scan whose scanner stands at the
// zero point of the cloud's frame.
func NewSight(c *scan.Cloud) *Sight {
	s := &Sight{step: math.Pi / sightRows, cols: 2 * sightRows, rows: sightRows}
	s.ranges = make([]float32, s.cols*s.rows)
	for i := range c.Len() {
		p := c.At(i)
		r := float32(p.Norm())
		if at := s.at(p); s.ranges[at] == 0 || r < s.ranges[at] {
			s.ranges[at] = r
		}
	}
	return s
}

func (s *Sight) at(p geom.Vec) int {
	az := math.Atan2(p.Y, p.X) + math.Pi
	el := math.Atan2(p.Z, math.Hypot(p.X, p.Y)) + math.Pi/2
	return min(int(el/s.step), s.rows-1)*s.cols + min(int(az/s.step), s.cols-1)
}

// Toward returns the shortest range at which rays near the direction of p (in
// the set-up's frame) ended. Where no ray came back for more than a degree
// around, that is open sky, and the range is infinite; a lone cell without
// returns says nothing, since dark or shiny surfaces swallow rays.
func (s *Sight) Toward(p geom.Vec) (ended float64, known bool) {
	at := s.at(p)
	if r := s.ranges[at]; r > 0 {
		return float64(r), true
	}
	row, col := at/s.cols, at%s.cols
	const around = 2 // cells: a degree to each side
	for dr := -around; dr <= around; dr++ {
		for dc := -around; dc <= around; dc++ {
			r := row + dr
			if r < 0 || r >= s.rows {
				continue
			}
			if s.ranges[r*s.cols+(col+dc+s.cols)%s.cols] > 0 {
				return 0, false
			}
		}
	}
	return math.Inf(1), true
}
