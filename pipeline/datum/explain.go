package datum

import (
	"fmt"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
)

// explain says why no placement was found, and recognises the usual causes:
// coordinates in another unit, and mirrored ones.
func (m *matcher) explain() string {
	head := fmt.Sprintf("The control points do not fit the %d spheres of the network: no three of the %d points agree within %.1f mm.", len(m.spheres), len(m.points), m.tolerance)
	for _, u := range length.Units() {
		for _, v := range length.Units() {
			factor := u.MM() / v.MM()
			if factor != 1 && m.scaled(factor).count >= 3 {
				return fmt.Sprintf("%s They fit when multiplied by %g: the coordinates were probably written in %s where %s is meant. To do: correct their units in the job sheet.", head, factor, v, u)
			}
		}
	}
	if m.mirrored().count >= 3 {
		return head + mirrorImage
	}
	return head + " To do: check the coordinates, and that these spheres were not moved after they were measured."
}

const mirrorImage = " They fit as a mirror image: one axis has the wrong sign, or two are swapped (a left-handed frame). To do: correct the coordinates in the job sheet."

func (m *matcher) scaled(factor float64) assignment {
	return m.with(func(p geom.Vec) geom.Vec { return p.Scale(factor) })
}

func (m *matcher) mirrored() assignment {
	return m.with(func(p geom.Vec) geom.Vec { return geom.Vec{X: -p.X, Y: p.Y, Z: p.Z} })
}

func (m *matcher) with(change func(geom.Vec) geom.Vec) assignment {
	c := matcher{spheres: m.spheres, tolerance: m.tolerance}
	for _, p := range m.points {
		p.At = change(p.At)
		c.points = append(c.points, p)
	}
	best, _ := c.search()
	if best.count == 3 && len(m.points) > 3 {
		return assignment{} // three of many is chance
	}
	return best
}

// covariance carries the spheres' covariances, and the misfit seen, into the
// datum's pose: Σ = (Σ AᵢᵀCᵢ⁻¹Aᵢ)⁻¹ with Aᵢ = (−[lever]×, I) (CV-3.2), where the
// known coordinates count as doubtful as the residuals show beyond what the
// spheres' own covariances explain.
func (m *matcher) covariance(a assignment, center geom.Vec) fit.Mat6 {
	floor := a.rms * a.rms * float64(a.count) / max(1, float64(3*a.count-6)) // variance of one coordinate
	for _, k := range a.sphere {
		if k >= 0 {
			floor -= m.spheres[k].Cov.Trace() / float64(3*a.count)
		}
	}
	floor = max(0, floor)
	var arms []geom.Vec
	var covs []geom.Mat
	for i, k := range a.sphere {
		if k >= 0 {
			arms = append(arms, m.points[i].At.Sub(center))
			covs = append(covs, a.pose.R.Congruent(m.spheres[k].Cov).Add(geom.Diag(floor, floor, floor)))
		}
	}
	cov, err := fit.PoseCov(arms, covs)
	if err != nil { // three perfect spheres without any doubt of their own: nothing to carry
		return fit.Mat6{}
	}
	return cov
}
