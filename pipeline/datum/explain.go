package datum

import (
	"fmt"

	"gonum.org/v1/gonum/mat"

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
		return head + " They fit as a mirror image: one axis has the wrong sign, or two are swapped (a left-handed frame). To do: correct the coordinates in the job sheet."
	}
	return head + " To do: check the coordinates, and that these spheres were not moved after they were measured."
}

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
// known coordinates count as doubtful as the residuals show.
func (m *matcher) covariance(a assignment, center geom.Vec) [36]float64 {
	info := mat.NewSymDense(6, nil)
	floor := a.rms * a.rms * float64(a.count) / max(1, float64(3*a.count-6)) // variance of one coordinate
	for i, k := range a.sphere {
		if k < 0 {
			continue
		}
		c := a.pose.R.Congruent(m.spheres[k].Cov).Add(geom.Diag(floor, floor, floor))
		weight, ok := c.Inv()
		if !ok {
			continue
		}
		addInformation(info, weight, m.points[i].At.Sub(center))
	}
	var inv mat.Dense
	if err := inv.Inverse(info); err != nil {
		return [36]float64{}
	}
	var out [36]float64
	for i := range out {
		out[i] = inv.At(i/6, i%6)
	}
	return out
}

func addInformation(info *mat.SymDense, weight geom.Mat, lever geom.Vec) {
	turn := geom.Skew(lever).Scale(-1)
	rows := [3][6]float64{}
	for i := range 3 {
		copy(rows[i][:3], turn[3*i:3*i+3])
		rows[i][3+i] = 1
	}
	for i := range 6 {
		for j := i; j < 6; j++ {
			sum := info.At(i, j)
			for r := range 3 {
				for c := range 3 {
					sum += rows[r][i] * weight[3*r+c] * rows[c][j]
				}
			}
			info.SetSym(i, j, sum)
		}
	}
}
