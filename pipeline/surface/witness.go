package surface

import (
	"context"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Distances is what two clouds in one frame say about each other.
type Distances struct {
	Median float64 // signed: positive where b lies on the seen side of a, mm
	MAD    float64 // median absolute deviation from the median, mm
	P95    float64 // 95 % of the absolute distances are below, mm
	Within float64 // share of the absolute distances within twice the noise, 0 to 1; see Compare
	Points int     // places compared; 0 when they do not overlap
}

// Patch is a piece of surface that both clouds saw, and how far apart they are
// there.
type Patch struct {
	At, Normal geom.Vec // common frame; the normal points to the side seen
	Mean       float64  // of the distances without outliers, signed like Distances.Median, mm
	Sigma      float64  // standard uncertainty of Mean by the scatter of its distances, mm
	Points     int
}

// Witness compares clouds against one cloud.
type Witness struct {
	grid *grid
}

// NewWitness prepares a for comparison; reach is the largest distance that
// counts as the same surface, mm. a must have normals and be in the common frame.
func NewWitness(a *scan.Cloud, reach float64) *Witness { return &Witness{grid: newGrid(a, reach)} }

// Compare returns the signed distances of b's points from a along their normals,
// and the patches that both saw. noise is what a distance may be off by without any
// fault, 1 sigma in mm; 0 leaves Distances.Within at zero.
func (w *Witness) Compare(ctx context.Context, b *scan.Cloud, noise float64) (Distances, []Patch, error) {
	s := scale{source: b, target: w.grid}
	p, err := s.pair(ctx, geom.IdentityPose())
	if err != nil || p.count == 0 {
		return Distances{}, nil, err
	}
	return p.distances(noise), p.patches(), nil
}

func (p *pairs) distances(noise float64) Distances {
	signed, abs := make([]float64, 0, p.count), make([]float64, 0, p.count)
	within := 0
	for i, s := range p.spots {
		if s < 0 {
			continue
		}
		d := float64(p.dist[i])
		signed, abs = append(signed, d), append(abs, math.Abs(d))
		if math.Abs(d) <= 2*noise {
			within++
		}
	}
	out := Distances{Median: median(signed), Points: p.count, Within: float64(within) / float64(p.count)}
	slices.Sort(abs)
	out.P95 = abs[(95*len(abs)-1)/100]
	for i, d := range signed {
		signed[i] = math.Abs(d - out.Median)
	}
	out.MAD = median(signed)
	return out
}

// leastInPatch is the number of pairs below which a patch's own scatter says
// nothing about its mean.
const leastInPatch = 4

// patches gathers the pairs by pieces of surface, in the order of their first pair.
func (p *pairs) patches() []Patch {
	type members struct {
		at, n geom.Vec
		d     []float64
	}
	var all []members
	number := map[patch]int{}
	for i, s := range p.spots {
		if s < 0 {
			continue
		}
		at, n := p.placeOf(i)
		of := p.patchOf(i, n)
		k, ok := number[of]
		if !ok {
			k = len(all)
			number[of], all = k, append(all, members{})
		}
		m := &all[k]
		m.at, m.n, m.d = m.at.Add(at), m.n.Add(n), append(m.d, float64(p.dist[i]))
	}
	var out []Patch
	for _, m := range all {
		if len(m.d) < leastInPatch {
			continue
		}
		mean, sigma := robustMean(m.d)
		out = append(out, Patch{At: m.at.Scale(1 / float64(len(m.d))).Add(p.target.cloud.Origin), Normal: m.n.Unit(), Mean: mean, Sigma: sigma, Points: len(m.d)})
	}
	return out
}

// robustMean returns Tukey's mean of v about its median, and its standard uncertainty.
// It must not be taken about zero: that would pull a patch that lies apart towards the
// others. v is sorted.
func robustMean(v []float64) (mean, sigma float64) {
	m := median(v)
	abs := make([]float64, len(v))
	for i, x := range v {
		abs[i] = math.Abs(x - m)
	}
	cut := tukey * madToSigma * median(abs)
	if cut == 0 {
		return m, 0
	}
	var w, w2, d, d2 float64
	for _, x := range v {
		q := biweight((x - m) / cut)
		w, w2, d, d2 = w+q, w2+q*q, d+q*(x-m), d2+q*(x-m)*(x-m)
	}
	return m + d/w, math.Sqrt(max(0, d2/w-d/w*d/w) * w2 / (w * w))
}

// median sorts v and returns its middle.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n == 0 {
		return 0
	}
	return (v[(n-1)/2] + v[n/2]) / 2
}
