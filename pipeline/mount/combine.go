package mount

import (
	"fmt"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Share is the weight that an instrument has in a mount's centre; the weights of all
// sum to the identity.
type Share struct {
	Instrument string
	Weight     geom.Mat
}

const (
	// mostApart is the largest squared distance of two instruments' centres, in their
	// standard uncertainties, that chance explains: chi-square of three degrees of freedom,
	// 99.9 % (tables of the distribution, from memory).
	mostApart = 16.27
	// worthIt is the share of the best one's variance that a combination must come down
	// to. What is hardly better is not worth resting on two registrations.
	worthIt = 0.9
)

// combine joins what several instruments found of one mount, found[0] being the surest: the
// centre and the diameter by inverse covariances (generalised least squares). The fits are
// independent; how much the instruments' registrations share is not known, since a hand scan
// is tied to the set-ups, so that they are taken as fully correlated: with weights W and
// roots R of their covariances that part is (ΣWR)(ΣWR)ᵀ, the largest that correlation makes
// it. What all share by the datum stays as it is. The axis, other sizes and the form error
// stay those of the surest. One that lies farther off than chance explains is left out and
// said.
func combine(m job.Mount, found []Result, seen []Seen) Result {
	best := found[0]
	parts := []Result{best}
	own := []geom.Mat{ownCov(&best, seen)}
	var odd []job.Finding
	for _, r := range found[1:] {
		cov := ownCov(&r, seen)
		if r.ArcDeg < leastArc && m.Expect != job.Plane {
			continue // its centre hangs on one side
		}
		apart := squaredDistance(r.Center.Sub(best.Center), cov.Add(own[0]))
		if apart > mostApart {
			odd = append(odd, disagreement(m, &best, &r, apart))
			continue
		}
		parts, own = append(parts, r), append(own, cov)
	}
	out := best
	if len(parts) > 1 {
		if joint, ok := joined(parts, own, seen); ok && joint.Cov.Trace() < worthIt*best.Cov.Trace() {
			out = joint
			out.Deviation = out.Center.Sub(m.Nominal())
			if m.Position > 0 {
				out.Position = positionOf(out.Center, m.Nominal(), out.Axis, out.Cov, m.Position)
			}
		}
	}
	out.odd = odd
	return out
}

// ownCov is the covariance of a centre without what all instruments share.
func ownCov(r *Result, seen []Seen) geom.Mat {
	s := seenBy(r.Instrument, seen)
	if s == nil {
		return r.FitCov
	}
	return r.FitCov.Add(frameOf(s, r.Center))
}

// frameOf is what an instrument's registration adds at a place, without the datum.
func frameOf(s *Seen, p geom.Vec) geom.Mat {
	return at(s.FrameCov, p).Add(at(s.DatumCov, p).Scale(-1))
}

// squaredDistance is dᵀ·cov⁻¹·d, zero where the covariance holds no distance.
func squaredDistance(d geom.Vec, cov geom.Mat) float64 {
	inv, ok := cov.Inv()
	if !ok {
		return 0
	}
	return d.Dot(inv.MulVec(d))
}

func disagreement(m job.Mount, best, r *Result, apart float64) job.Finding {
	return job.Finding{Code: job.MountUncertain, Severity: job.Warn, Subject: m.Name,
		Text: fmt.Sprintf("%s and %s see %s %.3f mm apart, %.1f standard uncertainties; %s alone was taken. To do: see what the overlap of the two says there, and whether %s saw the rim squarely.",
			best.Instrument, r.Instrument, m.Name, r.Center.Dist(best.Center), math.Sqrt(apart), best.Instrument, r.Instrument)}
}

// joined is the combination of parts with these covariances; ok is false where one has no
// inverse.
func joined(parts []Result, own []geom.Mat, seen []Seen) (Result, bool) {
	out := parts[0]
	inverse := make([]geom.Mat, len(parts))
	var information geom.Mat
	for i, c := range own {
		var ok bool
		if inverse[i], ok = c.Inv(); !ok {
			return out, false
		}
		information = information.Add(inverse[i])
	}
	cov, ok := information.Inv()
	if !ok {
		return out, false
	}
	var shift geom.Vec
	var fits, roots geom.Mat
	out.Shares, out.Points = nil, 0
	for i := range parts {
		w := cov.Mul(inverse[i])
		shift = shift.Add(w.MulVec(parts[i].Center.Sub(parts[0].Center)))
		fits = fits.Add(w.Congruent(parts[i].FitCov))
		if s := seenBy(parts[i].Instrument, seen); s != nil {
			roots = roots.Add(w.Mul(root(frameOf(s, parts[i].Center))))
		}
		out.Shares = append(out.Shares, Share{parts[i].Instrument, w})
		out.Points += parts[i].Points
		out.ArcDeg = math.Max(out.ArcDeg, parts[i].ArcDeg)
	}
	out.Center = parts[0].Center.Add(shift)
	out.FitCov = fits
	out.Cov = fits.Add(roots.Mul(roots.T()))
	if s := seenBy(parts[0].Instrument, seen); s != nil {
		out.Cov = out.Cov.Add(at(s.DatumCov, out.Center))
	}
	out.Diameter, out.SigmaDia = jointDiameter(parts)
	return out, true
}

// jointDiameter averages the diameters by their variances; those of a fit are independent.
func jointDiameter(parts []Result) (d, sigma float64) {
	var weight float64
	for _, r := range parts {
		if r.Diameter <= 0 || r.SigmaDia <= 0 {
			return parts[0].Diameter, parts[0].SigmaDia
		}
		w := 1 / (r.SigmaDia * r.SigmaDia)
		weight, d = weight+w, d+w*r.Diameter
	}
	return d / weight, 1 / math.Sqrt(weight)
}

// root is the symmetric square root of a covariance.
func root(c geom.Mat) geom.Mat {
	values, axes := geom.Eigen(c)
	v := values.Array()
	return axes.Congruent(geom.Diag(math.Sqrt(math.Max(0, v[0])), math.Sqrt(math.Max(0, v[1])), math.Sqrt(math.Max(0, v[2]))))
}

// shares lists the weights of a mount's instruments.
func (r *Result) shares() []Share {
	if len(r.Shares) > 0 {
		return r.Shares
	}
	return []Share{{r.Instrument, geom.Identity()}}
}

// jointDoubt is sharedDoubt where one of the mounts at least rests on several instruments.
// Their registrations are taken as independent: what they share would cancel in the
// difference. Of an instrument that moves rigidly the part with equal weights is that of the
// turn alone; where the weights differ, the rest counts twice, the most that its correlation
// with that part can make of it.
func jointDoubt(a, b *Result, seen []Seen) (cov, turn geom.Mat) {
	weights := func(r *Result, instrument string) geom.Mat {
		for _, s := range r.shares() {
			if s.Instrument == instrument {
				return s.Weight
			}
		}
		return geom.Mat{}
	}
	for i := range seen {
		s := &seen[i]
		wa, wb := weights(a, s.Instrument), weights(b, s.Instrument)
		if wa == (geom.Mat{}) && wb == (geom.Mat{}) {
			continue
		}
		own := func(p geom.Vec) geom.Mat { return frameOf(s, p) }
		if !s.Rigid || wa == (geom.Mat{}) || wb == (geom.Mat{}) {
			cov = cov.Add(wa.Congruent(own(a.Center))).Add(wb.Congruent(own(b.Center)))
			continue
		}
		mean, differ := wa.Add(wb).Scale(0.5), wa.Add(wb.Scale(-1))
		together := mean.Congruent(difference(own, a.Center, b.Center))
		if rest := differ.Congruent(own(a.Center.Add(b.Center).Scale(0.5))); rest.Trace() > 1e-4*together.Trace() {
			together = together.Add(rest).Scale(2)
		}
		cov = cov.Add(together)
	}
	if s := seenBy(a.Instrument, seen); s != nil {
		cov = cov.Add(difference(s.DatumCov, a.Center, b.Center))
	}
	_, turn = singleDoubt(a, b, seen)
	return cov, turn
}
