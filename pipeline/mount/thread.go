package mount

import (
	"cmp"
	"math"
	"slices"

	"trammel/pipeline/geom"
)

// Thread is a metric thread that a hole may have. It is a suggestion: a scan shows
// the minor diameter, not the pitch.
type Thread struct {
	Name  string
	Minor [2]float64 // limits of the minor diameter for tolerance 6H, mm
}

// metric holds nominal diameter, pitch and the tolerance of the minor diameter of
// internal threads, 6H. Diameters and pitches are those of ISO 261, tolerances those
// of ISO 965-1, both from memory; the basic minor diameter is D - 1.082532·P (ISO
// 68-1, CV-10.5). Of each diameter the coarse pitch comes first.
var metric = []struct {
	name            string
	d, pitch, limit float64
}{
	{"M3", 3, 0.5, 0.14}, {"M4", 4, 0.7, 0.18}, {"M5", 5, 0.8, 0.2}, {"M6", 6, 1, 0.236},
	{"M8", 8, 1.25, 0.265}, {"M8x1", 8, 1, 0.236}, {"M10", 10, 1.5, 0.3}, {"M10x1.25", 10, 1.25, 0.265}, {"M10x1", 10, 1, 0.236},
	{"M12", 12, 1.75, 0.335}, {"M12x1.5", 12, 1.5, 0.3}, {"M12x1.25", 12, 1.25, 0.265}, {"M14", 14, 2, 0.375}, {"M14x1.5", 14, 1.5, 0.3},
	{"M16", 16, 2, 0.375}, {"M16x1.5", 16, 1.5, 0.3}, {"M18", 18, 2.5, 0.45}, {"M18x1.5", 18, 1.5, 0.3}, {"M20", 20, 2.5, 0.45}, {"M20x1.5", 20, 1.5, 0.3},
	{"M22", 22, 2.5, 0.45}, {"M22x1.5", 22, 1.5, 0.3}, {"M24", 24, 3, 0.5}, {"M24x2", 24, 2, 0.375}, {"M27", 27, 3, 0.5}, {"M27x2", 27, 2, 0.375}, {"M30", 30, 3.5, 0.56}, {"M30x2", 30, 2, 0.375},
}

// minorOf is the basic minor diameter of an internal thread.
func minorOf(d, pitch float64) float64 { return d - 1.082532*pitch }

// suggestions returns the threads whose minor diameter the measured one may be, the
// nearest to the middle of its tolerance first.
func suggestions(diameter, sigma float64) []Thread {
	type fitting struct {
		Thread
		off float64
	}
	var list []fitting
	for _, t := range metric {
		low := minorOf(t.d, t.pitch)
		high := low + t.limit
		if diameter < low-Coverage*sigma || diameter > high+Coverage*sigma {
			continue
		}
		list = append(list, fitting{Thread{t.name, [2]float64{low, high}}, math.Abs(diameter-(low+high)/2) / t.limit})
	}
	slices.SortStableFunc(list, func(a, b fitting) int { return cmp.Compare(a.off, b.off) })
	out := make([]Thread, len(list))
	for i, f := range list {
		out[i] = f.Thread
	}
	return out
}

// thread measures the minor diameter and suggests threads. The points of a
// thread's wall lie between the minor and the major diameter, their scatter is not
// noise: the inner edge of their radii is wanted, with the noise taken off. Without
// points of the wall the rim's diameter stands.
func (r *Result) thread(c circle, side []geom.Vec, noise float64) circle {
	if len(side) >= leastPoints {
		if axis, _, err := fitWall(side, c, noise); err == nil {
			c.x, c.y = axis.x, axis.y
			for _, k := range [...]int{0, 1, 3, 4} {
				c.cov[k] = axis.cov[k]
			}
			c.arc = math.Max(c.arc, arcOf(side, axis))
			c.r, c.cov[8] = crests(side, axis, noise)
			c.cov[2], c.cov[5], c.cov[6], c.cov[7] = 0, 0, 0, 0
			c.points = len(side)
		}
	}
	r.Threads = suggestions(2*c.r, 2*math.Sqrt(c.cov[8]))
	return c
}

// crests returns the radius of a thread's crests and its variance, by the
// likelihood of radii of which a share lies on the crests and the rest evenly
// between them and the roots, all with noise.
func crests(side []geom.Vec, axis circle, noise float64) (radius, variance float64) {
	radii := make([]float64, len(side))
	for i, p := range side {
		radii[i] = math.Hypot(p.X-axis.x, p.Y-axis.y)
	}
	slices.Sort(radii)
	n := len(radii)
	low, high := radii[n/20], radii[n-1-n/20]
	deep := math.Max(high-low, noise)
	table := newNormal()
	bins, counts := binned(radii, noise/4)
	p := explore([]float64{low, deep, 0.3}, []float64{deep / 4, deep / 8, 0.1}, fine, func(p []float64) float64 {
		if p[1] < noise/4 || p[1] > 4*deep || p[2] < 0 || p[2] > 1 {
			return math.Inf(-1)
		}
		sum := 0.0
		for i, r := range bins {
			z := (r - p[0]) / noise
			on := math.Exp(-z*z/2) / (noise * math.Sqrt(2*math.Pi))
			between := (table.at(z) - table.at(z-p[1]/noise)) / p[1]
			sum += counts[i] * math.Log(stray/deep+p[2]*on+(1-p[2])*between)
		}
		return sum
	})
	return p.mean[0], p.cov[0][0] + axis.cov[8]/4
}

// binned counts sorted values in bins of a width, empty ones left out.
func binned(v []float64, width float64) (middles, counts []float64) {
	for _, x := range v {
		m := (math.Floor(x/width) + 0.5) * width
		if n := len(middles); n == 0 || middles[n-1] != m {
			middles, counts = append(middles, m), append(counts, 0)
		}
		counts[len(counts)-1]++
	}
	return middles, counts
}
