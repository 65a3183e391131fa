package network

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// judgeW marks the tests whose w is beyond chance, the largest first: the k-th
// largest of n may reach the critical value for a level of alpha/(n-k+1) (S. Holm,
// A Simple Sequentially Rejective Multiple Test Procedure, 1979). Since w of one
// blunder smears over its neighbours, the marks say where to look, not how many
// blunders there are: that is what Solve finds one at a time.
func (r *Result) judgeW(alpha float64) {
	order := make([]int, 0, len(r.Tests))
	n := 3 * len(r.Tests)
	largest := func(w geom.Vec) float64 { return max(math.Abs(w.X), math.Abs(w.Y), math.Abs(w.Z)) }
	for i := range r.Tests {
		order = append(order, i)
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(largest(r.Tests[j].W), largest(r.Tests[i].W)) })
	r.WLimit = fit.CriticalW(fit.Sidak(alpha, n))
	for k, i := range order {
		if largest(r.Tests[i].W) <= fit.CriticalW(alpha/float64(n-3*k)) {
			return
		}
		r.Tests[i].Suspect = true
	}
}

// unseen says which errors could have stayed hidden.
func (r *Result) unseen(power float64) string {
	var text []string
	var worst *SphereResult
	var alone, uncontrolled []string
	for i := range r.Spheres {
		x := &r.Spheres[i]
		switch {
		case len(x.Stations) == 1:
			alone = append(alone, x.ID)
		case x.Detectable == 0:
			uncontrolled = append(uncontrolled, x.ID)
		case worst == nil || x.Detectable > worst.Detectable:
			worst = x
		}
	}
	if worst != nil {
		text = append(text, fmt.Sprintf("A sphere that one set-up saw displaced by %.2f mm or more would have been found with a chance of %.0f %% at least; smaller displacements may have stayed hidden, of %s most of all.", worst.Detectable, 100*power, worst.ID))
	}
	if len(uncontrolled) > 0 {
		text = append(text, fmt.Sprintf("Nothing controls where %s stood: too few spheres are shared.", strings.Join(uncontrolled, ", ")))
	}
	if len(alone) > 0 {
		text = append(text, fmt.Sprintf("Seen by one set-up only, and so not controlled: %s.", strings.Join(alone, ", ")))
	}
	return strings.Join(text, " ")
}
