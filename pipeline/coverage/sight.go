package coverage

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Sight is what a set-up saw in each direction: how near the nearest return was, or
// that none came.
type Sight struct {
	Name    string
	toOwn   geom.Pose // common frame → the set-up's
	eye     geom.Vec  // common frame
	step    float64   // of a pixel, rad
	columns int
	rows    int
	near    []float32 // mm; 0 where nothing came back
}

// mostPixels is the finest picture of a sight: a quarter of a degree a pixel.
const mostPixels = 1440

// NewSight draws what a set-up saw; its scanner stands at the zero point of c. Pixels
// hold four points where points are even.
func NewSight(name string, c *scan.Cloud, toCommon geom.Pose) *Sight {
	s := &Sight{Name: name, toOwn: toCommon.Inverse(), eye: toCommon.T}
	s.step = max(2*math.Pi/mostPixels, 2*math.Sqrt(4*math.Pi/float64(max(c.Len(), 1))))
	s.columns, s.rows = int(math.Ceil(2*math.Pi/s.step)), int(math.Ceil(math.Pi/s.step))
	s.near = make([]float32, s.columns*s.rows)
	for i := range c.Len() {
		k, depth := s.pixel(c.At(i))
		if d := &s.near[k]; depth > 0 && (*d == 0 || float32(depth) < *d) {
			*d = float32(depth)
		}
	}
	return s
}

func (s *Sight) pixel(p geom.Vec) (int, float64) {
	depth := p.Norm()
	if !(depth > 0) || math.IsInf(depth, 0) {
		return 0, 0
	}
	col := int((math.Atan2(p.Y, p.X) + math.Pi) / s.step)
	row := int((math.Asin(max(-1, min(1, p.Z/depth))) + math.Pi/2) / s.step)
	return min(row, s.rows-1)*s.columns + min(col, s.columns-1), depth
}

// verdict is what a set-up has to say of a place.
type verdict int

const (
	outside verdict = iota // of the field that the scanner turned through
	blocked                // something nearer stands in the way
	rim                    // what stands in the way is the surface around the place
	through                // it looked past the place
	silent                 // nothing came back from there
	level                  // a return at the place itself
)

// around counts what came back from the pixels around a direction, against a depth.
type around struct{ empty, far, same, close, seen int }

func (s *Sight) around(row, col int, depth, margin, reach float64) around {
	var n around
	for dr := -1; dr <= 1; dr++ {
		for dc := -1; dc <= 1; dc++ {
			r, c := row+dr, (col+dc+s.columns)%s.columns
			if r < 0 || r >= s.rows {
				continue
			}
			d := float64(s.near[r*s.columns+c])
			if d == 0 {
				n.empty++
				continue
			}
			n.seen++
			switch {
			case d > depth+margin:
				n.far++
			case d >= depth-margin:
				n.same++
			case d > depth-reach:
				n.close++
			}
		}
	}
	return n
}

// look says what the set-up saw towards a place; margin is the depth that counts as
// the same, reach that which counts as around it, mm.
func (s *Sight) look(at geom.Vec, margin, reach float64) verdict {
	k, depth := s.pixel(s.toOwn.Apply(at))
	row, col := k/s.columns, k%s.columns
	switch n := s.around(row, col, depth, margin, reach); {
	case n.far == n.seen && n.seen >= 6:
		return through
	case n.same > 0:
		return level
	case n.empty >= 7 && s.isField(row, col):
		return silent
	case n.empty >= 7:
		return outside
	case 2*n.far >= n.seen:
		return through
	case n.close > 0:
		return rim
	}
	return blocked
}

// fieldReach is how far around a pixel returns must be found for it to lie within the
// field: a tank of two metres that gives no return is half as wide as this at four metres.
// One side may lack them: outdoors nothing comes back from above.
const (
	fieldReach = 30 * math.Pi / 180
	fieldSides = 3
)

// isField reports whether returns came from most sides around a pixel.
func (s *Sight) isField(row, col int) bool {
	reach, sides := int(fieldReach/s.step), 0
	for _, d := range [...][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
		for k := 2; k <= reach; k++ {
			r, c := row+k*d[0], ((col+k*d[1])%s.columns+s.columns)%s.columns
			if r >= 0 && r < s.rows && s.near[r*s.columns+c] > 0 {
				sides++
				break
			}
		}
	}
	return sides >= fieldSides
}

const (
	// throughShare is the share of a gap that scanners must have looked through for it
	// to count as open.
	throughShare = 0.5
	// flattest is the cosine of the incidence beyond which returns are lost: 75 degrees,
	// the project rule of CV-12.1.
	flattest = 0.2588
)

// Explain asks the set-ups why a gap is one.
func (g *Gap) Explain(sights []*Sight, margin float64) {
	g.Reason = Hidden
	var total, open float64
	votes := map[Reason]float64{}
	best := map[Reason]map[string]float64{Mute: {}, Grazing: {}}
	for _, p := range g.Places {
		total += p.Area
		reason, who := Hidden, ""
		for _, s := range sights {
			r := s.say(p, margin, g.Extent())
			if rank(r) > rank(reason) {
				reason, who = r, s.Name
			}
		}
		if reason == Open {
			open += p.Area
			continue
		}
		votes[reason] += p.Area
		if who != "" {
			best[reason][who] += p.Area
		}
	}
	if open > throughShare*total {
		g.Reason = Open
		return
	}
	for _, r := range []Reason{Grazing, Mute} { // in this order, so that equal votes always end alike
		if votes[r] > votes[g.Reason] {
			g.Reason = r
		}
	}
	most := 0.0
	for _, s := range sights {
		if a := best[g.Reason][s.Name]; a > most {
			most, g.Best = a, s.Name
		}
	}
}

// rank orders what set-ups say of one place: the one that knows most is believed.
func rank(r Reason) int {
	switch r {
	case Open:
		return 3
	case Mute:
		return 2
	case Grazing:
		return 1
	default:
		return 0
	}
}

func (s *Sight) say(p Place, margin, reach float64) Reason {
	cos := s.eye.Sub(p.At).Unit().Dot(p.Normal)
	switch s.look(p.At, margin, reach) {
	case through:
		return Open
	case silent:
		if cos > flattest {
			return Mute
		}
		return Grazing
	case level:
		return Grazing
	case rim: // from above its plane, the place was only too flat to be seen over its edge
		if cos > 0 {
			return Grazing
		}
		return Hidden
	default:
		return Hidden
	}
}
