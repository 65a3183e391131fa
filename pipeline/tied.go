package pipeline

import (
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
	"trammel/pipeline/posegraph"
)

// adjust solves for all places together and says what came of it.
func (t *tying) adjust() error {
	g := posegraph.Graph{Bodies: len(t.bodies), Ties: t.ties, Known: t.known()}
	t.seeSpheres()
	g.Sights = t.sights
	if len(t.bodies) == 1 {
		t.take(0, posegraph.Body{ToCommon: geom.IdentityPose(), Linked: true}, geom.Vec{})
		return nil
	}
	solved, err := posegraph.Solve(g)
	if err != nil {
		return fmt.Errorf("tie set-ups by surface: %w", err)
	}
	toFirst := geom.IdentityPose() // the frame is the first linked body's, as it is with spheres
	if g.Known == nil {
		for _, b := range solved.Bodies {
			if b.Linked {
				toFirst = b.ToCommon.Inverse()
				break
			}
		}
	}
	for i, b := range solved.Bodies {
		if t.bodies[i].known {
			continue
		}
		if !b.Linked && t.bodies[i].why == "" {
			t.bodies[i].why = "its surface meets no other set-up's closely enough"
		}
		if a, ok := solved.Anchor(i); ok { // set-ups tied by spheres stay where they are
			b.ToCommon, b.Cov = a.ToCommon, a.Cov
		}
		b.ToCommon = toFirst.After(b.ToCommon)
		t.take(i, b, toFirst.Apply(solved.Middle))
	}
	for k, x := range solved.Ties {
		if x.Used {
			t.checked.surfaceTies = append(t.checked.surfaceTies, surfaceTie{[2]int{t.bodies[t.ties[k].A].file, t.bodies[t.ties[k].B].file}, t.ties[k], t.fits[k]})
		}
	}
	t.blame(&solved)
	return nil
}

// known gathers what spheres and given poses hold, with the joint covariance of the
// former.
func (t *tying) known() *posegraph.Known {
	k := &posegraph.Known{}
	var solved []int
	for i, b := range t.bodies {
		if b.known {
			k.Bodies, k.Poses, solved = append(k.Bodies, i), append(k.Poses, b.toNetwork), append(solved, b.solved)
		}
	}
	if len(k.Bodies) == 0 {
		return nil
	}
	t.points = fillKnown(k, solved, t.checked.Network, 1)
	return k
}

// take enters a body among the set-ups.
func (t *tying) take(i int, b posegraph.Body, middle geom.Vec) {
	c, x := t.checked, &t.bodies[i]
	const help = ". To do: scan once more so that it shares a third of its surface with another set-up, seen from a similar side, or use reference spheres"
	if !b.Linked {
		if x.few {
			c.blameUnlinked(x.file, "it shows too few spheres, and not enough surface: "+x.why+help)
		} else {
			c.unlink(x.file, x.why+help)
		}
		return
	}
	rms, n := 0.0, 0
	for k, tie := range t.ties {
		if tie.A == i || tie.B == i {
			rms, n = rms+t.fits[k].RMS, n+1
		}
	}
	st := Station{File: x.file, ToNetwork: b.ToCommon, Linked: true, Solved: -1, RMS: rms / float64(max(n, 1)), BySurface: &SurfaceTie{Cov: b.Cov, Center: middle}}
	if k := slices.IndexFunc(c.Stations, func(s Station) bool { return s.File == x.file }); k >= 0 {
		c.Stations[k] = st
		t.sayFew(i, n, &st)
	} else {
		c.Stations = append(c.Stations, st)
	}
	t.judgeHold(i, b, middle)
}

// poorly is the standard uncertainty, in units of the noise, from which on a set-up
// counts as poorly held by its surface: its own points lie closer to each other.
const poorly = 2.0

// judgeHold warns of a set-up that may slide: the largest standard uncertainty that
// its place has in the middle of its own points.
func (t *tying) judgeHold(i int, b posegraph.Body, middle geom.Vec) {
	f := t.bodies[i].file
	at := b.ToCommon.Apply(t.bodies[i].cloud.Bounds().Center())
	values, vectors := geom.Eigen(b.Cov.At(at.Sub(middle)))
	limit := poorly * orElse(t.built.noise(f), usualStationNoise)
	if sigma := math.Sqrt(max(0, values.Z)); sigma > limit {
		u := vectors.Col(2)
		t.checked.Findings = append(t.checked.Findings, job.Finding{Code: job.LayoutWeak, Severity: job.Warn, Subject: t.built.Files[f].Path,
			Text: fmt.Sprintf("The surface that %s shares with other set-ups holds it along (%.2f, %.2f, %.2f) to %.2f mm only (1 sigma), %.2f mm are wanted. To do: scan something that looks that way from both, or use reference spheres.",
				job.Printable(t.built.Files[f].Path), u.X, u.Y, u.Z, sigma, limit)})
	}
}

// blame names the ties that contradict the others, and set-ups that spheres and
// surface put in different places.
func (t *tying) blame(solved *posegraph.Result) {
	path := func(i int) string { return t.built.Files[t.bodies[i].file].Path }
	for k, x := range solved.Ties {
		tie := t.ties[k]
		if x.Used || !solved.Bodies[tie.A].Linked || !solved.Bodies[tie.B].Linked {
			continue
		}
		t.checked.Findings = append(t.checked.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: path(tie.B), Stations: []string{path(tie.A), path(tie.B)},
			Text: contradiction(path(tie.A), path(tie.B), x, solved.Accepted)})
	}
	for _, m := range solved.Moved {
		t.checked.Findings = append(t.checked.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: path(m.Body),
			Text: fmt.Sprintf("Spheres and surface disagree about %s: by its surface it stands (%.2f, %.2f, %.2f) mm from where its spheres put it. To do: check that no sphere was nudged while it was scanned.",
				job.Printable(path(m.Body)), m.By.X, m.By.Y, m.By.Z)})
	}
}

// meetSpheres compares the spheres that set-ups tied by surface show with where the
// network has them: the two ways of tying check each other.
func (c *Checked) meetSpheres() {
	if c.Network == nil {
		return // then all spheres are gathered by the places of their set-ups, see meetGiven
	}
	for _, st := range c.Stations {
		if st.BySurface == nil {
			continue
		}
		f := &c.Files[st.File]
		for _, b := range f.Spheres {
			at := st.ToNetwork.Apply(b.Center)
			i := slices.IndexFunc(c.Network.Spheres, func(s network.SphereResult) bool { return s.Center.Dist(at) < b.Nominal/2 })
			if !b.Usable || i < 0 {
				continue
			}
			s := &c.Network.Spheres[i]
			d := at.Sub(s.Center)
			cov := s.Cov.Add(st.ToNetwork.R.Congruent(b.Cov)).Add(st.BySurface.Cov.At(at.Sub(st.BySurface.Center))).Add(geom.Diag(stable*stable, stable*stable, stable*stable))
			inv, ok := cov.Inv()
			if !ok || d.Dot(inv.MulVec(d)) <= fit.ChiSquareQuantile(spheresAgree, 3) {
				continue
			}
			c.Findings = append(c.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: f.Path, Stations: []string{f.Path},
				Text: fmt.Sprintf("By its surface %s is tied so that it shows sphere %s %.2f mm from where the set-ups tied by spheres have it; %.2f mm (1 sigma in space) are to be expected. To do: see whether that sphere or the object was moved between these set-ups.",
					job.Printable(f.Path), s.ID, d.Norm(), math.Sqrt(cov.Trace()))})
		}
	}
}

// spheresAgree is the probability with which a sound sphere of one set-up is not
// blamed: one in a thousand of them is.
const spheresAgree = 0.999
