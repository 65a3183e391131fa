package mount

import (
	"math"
	"math/rand/v2"
	"slices"
)

// posterior is what a sample of a posterior density says: means, covariances and
// samples of each parameter.
type posterior struct {
	mean []float64
	cov  [][]float64
}

const (
	walkers = 32  // eight for each of up to four parameters; more parameters take more
	settle  = 100 // steps thrown away, several autocorrelation times
	rough   = 60  // steps kept for a first estimate
	fine    = 400 // steps kept for the result: its standard deviations are then known to about 4 % (TestEnsemble)
	stretch = 2.0 // the largest stretch of a move, the authors' choice
	sided95 = 1.959964
)

// explore samples the density whose logarithm is given, from a start with its
// scatter, by the affine-invariant ensemble of J. Goodman and J. Weare (Comm.
// App. Math. Comp. Sci. 5, 2010, 65–80). It needs no derivatives and no tuning and
// does not mind the corners that edges of empty places have. The draws are fixed,
// so that the same density gives the same numbers.
func explore(start, scatter []float64, steps int, logDensity func(p []float64) float64) posterior {
	random := rand.New(rand.NewPCG(seed, uint64(len(start))))
	n := max(walkers, 8*len(start))
	place, value := make([][]float64, n), make([]float64, n)
	for k := range place {
		place[k] = slices.Clone(start)
		for i := range start {
			place[k][i] += scatter[i] * (2*random.Float64() - 1)
		}
		value[k] = logDensity(place[k])
	}
	kept := make([][]float64, len(start))
	try := make([]float64, len(start))
	for step := range settle + steps {
		for k := range place {
			move(k, place, value, try, random, logDensity)
		}
		if step >= settle {
			for k := range place {
				for i, x := range place[k] {
					kept[i] = append(kept[i], x)
				}
			}
		}
	}
	return summary(kept)
}

// move tries to stretch walker k towards or away from one of the other half.
func move(k int, place [][]float64, value, try []float64, random *rand.Rand, logDensity func(p []float64) float64) {
	half := len(place) / 2
	other := random.IntN(half)
	if k < half {
		other += half
	}
	a := random.Float64()*(math.Sqrt(stretch)-1/math.Sqrt(stretch)) + 1/math.Sqrt(stretch)
	z := a * a // its density is proportional to 1/√z between 1/stretch and stretch
	for i := range try {
		try[i] = place[other][i] + z*(place[k][i]-place[other][i])
	}
	v := logDensity(try)
	if math.Log(random.Float64()) < float64(len(try)-1)*math.Log(z)+v-value[k] {
		copy(place[k], try)
		value[k] = v
	}
}

// summary scales each parameter's standard deviation so that ±1.96 of it is as
// wide as the central 95 %: densities with a hard edge are not normal, and what is
// reported is used for such intervals.
func summary(kept [][]float64) posterior {
	d := len(kept)
	p := posterior{mean: make([]float64, d), cov: make([][]float64, d)}
	scale := make([]float64, d)
	for i, v := range kept {
		p.mean[i] = mean(v)
		p.cov[i] = make([]float64, d)
		sorted := slices.Sorted(slices.Values(v))
		n := len(sorted)
		scale[i] = (sorted[n-1-n/40] - sorted[n/40]) / (2 * sided95)
	}
	for i := range d {
		for j := range d {
			sum := 0.0
			for k := range kept[i] {
				sum += (kept[i][k] - p.mean[i]) * (kept[j][k] - p.mean[j])
			}
			p.cov[i][j] = sum / float64(len(kept[i])-1)
		}
	}
	for i := range d {
		scale[i] /= math.Max(math.Sqrt(p.cov[i][i]), 1e-300)
	}
	for i := range d {
		for j := range d {
			p.cov[i][j] *= scale[i] * scale[j]
		}
	}
	return p
}
