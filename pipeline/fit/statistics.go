package fit

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// ChiSquareQuantile returns the value that a chi-square variable of dof degrees
// of freedom stays below with probability p.
func ChiSquareQuantile(p float64, dof int) float64 {
	return distuv.ChiSquared{K: float64(dof)}.Quantile(p)
}

// ChiSquareTail returns the probability that a chi-square variable of dof
// degrees of freedom exceeds x.
func ChiSquareTail(x float64, dof int) float64 {
	return distuv.ChiSquared{K: float64(dof)}.Survival(x)
}

// NormalQuantile returns the value that a standard normal variable stays below
// with probability p.
func NormalQuantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// CriticalW returns the limit that |w| of a sound observation exceeds with
// probability alpha: 3.29 at 0.001. W. Baarda, A Testing Procedure for Use in
// Geodetic Networks (1968).
func CriticalW(alpha float64) float64 { return NormalQuantile(1 - alpha/2) }

// Delta0 returns Baarda's δ₀: a blunder of δ₀·σ/√r is found with probability
// power by a test at level alpha; 4.13 at 0.001 and 0.80.
func Delta0(alpha, power float64) float64 { return CriticalW(alpha) + NormalQuantile(power) }

// Sidak returns the level of each of n independent tests that together give a
// false alarm with probability alpha (Z. Šidák, JASA 62, 1967).
func Sidak(alpha float64, n int) float64 {
	if n <= 1 {
		return alpha
	}
	return -math.Expm1(math.Log1p(-alpha) / float64(n))
}

// NoncentralTail returns the probability that a non-central chi-square variable
// of dof degrees of freedom and non-centrality lambda exceeds x: the Poisson
// mixture of central tails.
func NoncentralTail(x float64, dof int, lambda float64) float64 {
	middle := int(lambda / 2)
	reach := 12*int(math.Sqrt(lambda/2)) + 40 // twelve standard deviations of the Poisson weights hold all but 1e-30
	var tail float64
	for j := max(0, middle-reach); j <= middle+reach; j++ {
		g, _ := math.Lgamma(float64(j + 1))
		weight := math.Exp(float64(j)*math.Log(lambda/2) - lambda/2 - g)
		if lambda == 0 {
			weight = float64(1 - min(j, 1))
		}
		tail += weight * ChiSquareTail(x, dof+2*j)
	}
	return tail
}

// Noncentrality returns the λ₀ that a chi-square test of dof degrees of freedom
// at level alpha detects with probability power; 17.07 for 1, 0.001 and 0.80.
// A displacement ∇ with covariance C is found so when ∇ᵀC⁻¹∇ reaches λ₀.
func Noncentrality(alpha, power float64, dof int) float64 {
	limit := ChiSquareQuantile(1-alpha, dof)
	lo, hi := 0.0, 4*limit+100
	for range 100 {
		mid := (lo + hi) / 2
		if NoncentralTail(limit, dof, mid) < power {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
