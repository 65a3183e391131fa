package pipeline

import (
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/posegraph"
)

// enter takes the instruments' places and says what came of them.
func (h *holding) enter() {
	b := h.built
	b.graph, b.bodies = &h.solved, h.body
	for i := range h.hands {
		x := &h.hands[i]
		t := Tracked{ToNetwork: x.Rough.SourceToTarget, Fit: x.Rough, Linked: x.given}
		if x.placed() {
			h.take(x, &t)
		}
		for _, f := range x.files {
			t.File = f
			b.Tracked = append(b.Tracked, t)
			if !t.Linked {
				b.unlink(f, x.Why)
			}
		}
	}
	h.blame()
	for i := range h.hands {
		if x := &h.hands[i]; x.placed() {
			h.judgeHold(x)
			h.judgeTwoWays(x)
		}
	}
}

// disagrees reports whether spheres and surface put an instrument in different places.
func (x *hand) disagrees() bool { return x.two != nil && x.two.Sigmas() > clearly }

func (h *holding) judgeTwoWays(x *hand) {
	if !x.disagrees() {
		return
	}
	b, ties, sights := h.built, 0, 0
	for k, t := range h.graph.Ties {
		if t.A == x.body && !h.solved.Ties[k].Used {
			ties++
		}
	}
	for _, k := range x.sights {
		if !h.solved.Sights[k].Used {
			sights++
		}
	}
	path := b.Files[x.files[0]].Path
	by := b.ToFrame.Turn(x.two.By)
	b.Findings = append(b.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: path, Stations: []string{path},
		Text: fmt.Sprintf("Spheres and surface disagree about %s: by its %d spheres alone it lies %.2f mm (standard uncertainty %.2f mm, %.1f sigma, %.0f are allowed), by (%.2f, %.2f, %.2f) mm at a corner of its box, from where its surface alone puts it. Of its ties, %d pairs of surfaces and %d spheres contradict the rest and are left out. To do: see whether the object or the spheres were moved between the set-ups and this scan.",
			job.Printable(path), x.two.Spheres, x.two.Apart, x.two.Sigma, x.two.Sigmas(), clearly, by.X, by.Y, by.Z, ties, sights)})
}

// take carries the solution over to an instrument.
func (h *holding) take(x *hand, t *Tracked) {
	s := h.solved.Bodies[x.body]
	if !s.Linked {
		x.Why = "no set-up's surface lies closely enough on it to tie it. To do: scan more of what the set-ups see too"
		return
	}
	t.Linked, t.ToNetwork = true, s.ToCommon
	t.Hold = SurfaceTie{Cov: s.Cov, Center: h.solved.Middle}
	if a, ok := h.solved.Anchor(x.body); ok { // set-ups and spheres stay where they are
		t.ToNetwork, t.Hold.Cov = a.ToCommon, a.Cov
		if d := h.built.Datum; d != nil && d.OK && h.built.Job.Datum.Method == job.Control {
			t.Hold.Cov = a.Against // the datum is given by the spheres as a whole
		}
	}
	sum, weight := 0.0, 0.0
	for k, tie := range h.graph.Ties {
		if f := &h.fits[k]; h.solved.Ties[k].Used && (tie.A == x.body || tie.B == x.body) {
			sum, weight, t.Ties = sum+float64(f.Pairs)*f.RMS*f.RMS, weight+float64(f.Pairs), t.Ties+1
		}
	}
	if weight > 0 {
		t.Fit.RMS = math.Sqrt(sum / weight)
	}
	for _, k := range x.sights {
		if h.solved.Sights[k].Used {
			t.Spheres++
		}
	}
	x.two = h.twoWays(x, t.Fit.RMS)
	t.TwoWays = x.two
}

// twoWays places an instrument by its spheres alone and by its surface alone, in one
// graph with the instrument twice, so that what both ways share cancels. It returns nil
// where it is not held by both.
func (h *holding) twoWays(x *hand, rms float64) *TwoWays {
	g := h.graph
	twin := g.Bodies
	g.Bodies++
	g.Sights = slices.Clone(g.Sights)
	for _, k := range x.sights {
		g.Sights[k].Body = twin
	}
	solved, err := posegraph.Solve(g)
	if err != nil || !solved.Bodies[x.body].Linked || !solved.Bodies[twin].Linked {
		return nil // it is no error to be held in one way only
	}
	bySurface, bySpheres, apart := solved.Bodies[x.body].ToCommon, solved.Bodies[twin].ToCommon, solved.Relative(x.body, twin)
	var worst *TwoWays
	for _, f := range x.files {
		for _, c := range h.built.Files[f].Bounds.Corners() {
			at := bySurface.Apply(c)
			d := bySpheres.Apply(c).Sub(at)
			u := d.Unit()
			sigma := math.Hypot(math.Sqrt(max(0, u.Dot(apart.At(at.Sub(solved.Middle)).MulVec(u)))), math.Hypot(stable, systematic*rms))
			if w := (&TwoWays{Spheres: len(x.sights), Apart: d.Norm(), By: d, Sigma: sigma}); worst == nil || w.Sigmas() > worst.Sigmas() {
				worst = w
			}
		}
	}
	return worst
}

// judgeHold warns of an instrument that may slide: the largest standard uncertainty that
// its place against the set-ups has in the middle of its own box.
func (h *holding) judgeHold(x *hand) {
	b := h.built
	path := b.Files[x.files[0]].Path
	at := h.solved.Bodies[x.body].ToCommon.Apply(b.Files[x.files[0]].Bounds.Center())
	values, vectors := geom.Eigen(h.solved.At(x.body, at))
	limit := poorly * b.stationNoise()
	if sigma := math.Sqrt(max(0, values.Z)); sigma > limit {
		u := vectors.Col(2)
		b.Findings = append(b.Findings, job.Finding{Code: job.LayoutWeak, Severity: job.Warn, Subject: path,
			Text: fmt.Sprintf("What %s shares with the set-ups holds it along (%.2f, %.2f, %.2f) to %.2f mm only (1 sigma), %.2f mm are wanted. To do: extend the hand scan to a surface that faces another way.",
				job.Printable(path), u.X, u.Y, u.Z, sigma, limit)})
	}
}

// stationNoise is the largest usual noise of the set-ups.
func (b *Built) stationNoise() float64 {
	noise := 0.0
	for _, p := range b.placedStations() {
		noise = max(noise, b.usualNoise(p))
	}
	return noise
}

// blame names the ties and the spheres that contradict the others.
func (h *holding) blame() {
	b := h.built
	path := map[int]string{}
	for f, body := range h.body {
		if p := b.Files[f].Path; path[body] == "" || p < path[body] {
			path[body] = p
		}
	}
	disagree := map[int]bool{} // one sentence says it all, see judgeTwoWays
	for i := range h.hands {
		if x := &h.hands[i]; x.disagrees() {
			disagree[x.body] = true
		}
	}
	for k, x := range h.solved.Ties {
		tie := h.graph.Ties[k]
		if x.Used || !h.solved.Bodies[tie.A].Linked || !h.solved.Bodies[tie.B].Linked || tie.A < h.stations || disagree[tie.A] {
			continue
		}
		b.Findings = append(b.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: path[tie.A], Stations: []string{path[tie.A], path[tie.B]},
			Text: contradiction(path[tie.A], path[tie.B], x, h.solved.Accepted)})
	}
	h.blameSpheres(path, disagree)
}

// blameSpheres names the spheres that contradict an instrument's other ties.
func (h *holding) blameSpheres(path map[int]string, disagree map[int]bool) {
	b := h.built
	for k, x := range h.solved.Sights {
		sight := h.graph.Sights[k]
		if x.Used || !h.solved.Bodies[sight.Body].Linked || disagree[sight.Body] {
			continue
		}
		s := &b.Network.Spheres[h.points[sight.Point]]
		b.Findings = append(b.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: path[sight.Body], Stations: []string{path[sight.Body]},
			Text: fmt.Sprintf("%s shows sphere %s %.2f mm from where all its other ties put it (chi-square %.0f, %.0f are allowed); the sphere is not used for it. To do: see whether that sphere was moved between the set-ups and the hand scan.",
				job.Printable(path[sight.Body]), s.ID, x.Shift.Norm(), x.Chi2, x.Accepted)})
	}
}

// contradiction says that a tie does not fit the others.
func contradiction(a, b string, x posegraph.TieResult, accepted float64) string {
	return fmt.Sprintf("The surfaces of %s and %s fit each other %.2f mm and %.3f° away from where all other ties put them (chi-square %.0f, %.0f are allowed); this tie is not used. To do: see whether what both saw is translucent or shiny, whether something was moved between the two, or whether they show two sides of a thin part.",
		job.Printable(a), job.Printable(b), x.Shift.Norm(), x.Turn*180/math.Pi, x.Chi2, accepted)
}
