package sticker

import (
	"math"

	"trammel/pipeline/geom"
)

// Verdict is what another instrument has to say about the skin below a sticker.
type Verdict struct {
	Answer Answer
	Height float64 // of what it saw at the sticker above what it saw beside it, mm
	Sigma  float64 // standard uncertainty of Height, mm
	Offset float64 // of what it saw beside the sticker from the skin of the scan that shows the sticker, mm
	Points int     // on the sticker
}

// Answer says whether bare skin was seen.
type Answer int

// Answers, from the one that says least to the one that replaces a sticker.
const (
	Unseen Answer = iota // hardly a point there
	Sparse               // points, but not all over the sticker and around it
	Noisy                // too noisy to tell skin from sticker
	Apart                // its skin around lies too far off to be taken
	Raised               // it shows the sticker as well
	Bare                 // it saw the skin, and no sticker on it
)

const (
	// least points on the sticker, and beside it in each patch; cells is the number of
	// rows and columns over the sticker of which each crossing must hold a point, so that
	// taking the other surface leaves no hole.
	leastOn, leastBeside = 8, 3
	coverCells           = 3
	// sure is the number of standard uncertainties that a height must keep from that of
	// a sticker, and may keep from zero. Both must lie twice as far apart, so that no
	// height can be taken for either: of a thousand simulated stickers that an instrument saw
	// as well, none passed for bare skin (TestJudgeSimulated). Where the scatter between the patches beside tells the
	// uncertainty, it does so with five degrees of freedom, and 4.0 is Student's quantile for
	// half a per cent on one side.
	sure, sureOfPatches = 3.0, 4.03
	// mostOffset is how far the other skin may lie off the one around the sticker, in
	// heights of the sticker: taking it must not make a larger step than it takes away.
	mostOffset = 0.5
)

// Judge says whether one instrument saw bare skin where a sticker lies: scans are the
// points of each of its scans, in the frame of the zone. What each scan saw on the sticker
// is compared with what the same scan saw beside it, so that its registration, which shifts
// both, drops out. Bare skin is a height that is compatible with none and clearly below the
// sticker's; anything else is no proof.
func Judge(z *Zone, scans [][]geom.Vec) Verdict {
	var total tally
	var rows []tally
	for _, points := range scans {
		t := z.tally(points)
		total.add(&t)
		rows = append(rows, t)
	}
	v := Verdict{Points: int(total.on.n)}
	switch {
	case total.on.n+total.besides().n < leastOn:
		return v
	case total.on.n < leastOn || !total.isFull(z.Round) || !total.isAround():
		v.Answer = Sparse
		return v
	}
	var ok bool
	if v.Height, v.Sigma, v.Offset, ok = combine(rows); !ok {
		v.Answer = Sparse
		return v
	}
	need := math.Max(sure*v.Sigma, sureOfPatches*total.spread())
	need = math.Hypot(need, sure*z.Sigma)
	switch {
	case !(2*need < z.Height):
		v.Answer = Noisy
	case math.Abs(v.Height) > need:
		v.Answer = Raised
	case math.Abs(v.Offset) > mostOffset*z.Height:
		v.Answer = Apart
	default:
		v.Answer = Bare
	}
	return v
}

// moments of heights.
type moments struct{ n, sum, sum2 float64 }

func (m *moments) add(h float64) { m.n, m.sum, m.sum2 = m.n+1, m.sum+h, m.sum2+h*h }

func (m *moments) join(o moments) { m.n, m.sum, m.sum2 = m.n+o.n, m.sum+o.sum, m.sum2+o.sum2 }

func (m *moments) mean() float64 { return m.sum / m.n }

func (m *moments) variance() float64 {
	if m.n < 2 {
		return math.Inf(1)
	}
	return math.Max(0, m.sum2-m.sum*m.sum/m.n) / (m.n - 1)
}

// tally is what a scan has on a zone and beside it.
type tally struct {
	on     moments
	beside [patches]moments
	full   [coverCells * coverCells]bool
}

func (z *Zone) tally(points []geom.Vec) tally {
	var t tally
	for _, p := range points {
		x, y, h := z.Local(p)
		if math.Abs(h) > mostAbove {
			continue
		}
		if z.core(x, y) {
			t.on.add(h)
		}
		if i, ok := cellOf(x, z.HalfX); ok {
			if j, ok := cellOf(y, z.HalfY); ok {
				t.full[i*coverCells+j] = true
			}
		}
		if k := z.beside(x, y); k >= 0 {
			t.beside[k].add(h)
		}
	}
	return t
}

func cellOf(x, half float64) (int, bool) {
	k := int(math.Floor((x/half + 1) / 2 * coverCells))
	return k, k >= 0 && k < coverCells
}

func (t *tally) add(o *tally) {
	t.on.join(o.on)
	for k := range t.beside {
		t.beside[k].join(o.beside[k])
	}
	for k, is := range o.full {
		t.full[k] = t.full[k] || is
	}
}

func (t *tally) besides() moments {
	var m moments
	for _, b := range t.beside {
		m.join(b)
	}
	return m
}

// isFull reports whether points lie all over the sticker; of a disc, the corners of the
// square around it do not count.
func (t *tally) isFull(round bool) bool {
	for k, is := range t.full {
		corner := k/coverCells%(coverCells-1) == 0 && k%coverCells%(coverCells-1) == 0
		if !is && (!round || !corner) {
			return false
		}
	}
	return true
}

// isAround reports whether all patches beside but one hold points.
func (t *tally) isAround() bool {
	few := 0
	for _, b := range t.beside {
		if b.n < leastBeside {
			few++
		}
	}
	return few <= 1
}

// spread is the standard deviation that chance gives to the mean of a place as large as
// the sticker, by the patches beside it: it holds noise that neighbours share.
func (t *tally) spread() float64 {
	var m moments
	for _, b := range t.beside {
		if b.n >= leastBeside {
			m.add(b.mean())
		}
	}
	return math.Sqrt(m.variance() * (1 + 1/m.n))
}

// combine averages the scans' heights by their weight. A scan without points on either
// side says nothing about the height.
func combine(rows []tally) (height, sigma, offset float64, ok bool) {
	var scatter moments
	for i := range rows {
		for _, m := range append(rows[i].beside[:], rows[i].on) {
			if m.n > 1 {
				scatter.n, scatter.sum2 = scatter.n+m.n-1, scatter.sum2+m.variance()*(m.n-1)
			}
		}
	}
	noise2 := scatter.sum2 / scatter.n
	var weight, beside, sum float64
	for i := range rows {
		on, by := rows[i].on, rows[i].besides()
		if on.n == 0 || by.n == 0 {
			continue
		}
		w := 1 / (1/on.n + 1/by.n)
		weight += w
		height += w * (on.mean() - by.mean())
		beside, sum = beside+by.n, sum+by.sum
	}
	if weight == 0 || scatter.n < 1 {
		return 0, 0, 0, false
	}
	return height / weight, math.Sqrt(noise2 / weight), sum / beside, true
}
