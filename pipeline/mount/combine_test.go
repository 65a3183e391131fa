package mount

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// handScan is two holes as one hand scan sees them that is off its place by a rigid motion
// of known covariance; extra is a shift that the covariance knows nothing of.
func handScan(name string, seed uint64, a, b disc, shiftSigma float64, extra geom.Vec) Seen {
	const turnSigma = 1e-5
	random := rand.New(rand.NewPCG(seed, 12))
	normal := func(s float64) geom.Vec {
		return geom.Vec{X: s * random.NormFloat64(), Y: s * random.NormFloat64(), Z: s * random.NormFloat64()}
	}
	p := newPart(seed, 0.05)
	p.turn = math.Pi * p.random.Float64()
	p.sight = slanting(p.random.Float64(), p.random.Float64())
	p.plate(50, true, a, b)
	center := placed.Apply(geom.Vec{X: -700, Y: 300})
	off := geom.Pose{R: geom.RotVec(normal(turnSigma)), T: normal(shiftSigma).Add(extra)}
	s := p.seen(name)
	for i, q := range s.Points {
		s.Points[i] = center.Add(off.Apply(q.Sub(center)))
	}
	s.Rigid = true
	s.FrameCov = func(q geom.Vec) geom.Mat {
		t, m := turnSigma*turnSigma, shiftSigma*shiftSigma
		return geom.Skew(q.Sub(center)).Congruent(geom.Diag(t, t, t)).Add(geom.Diag(m, m, m))
	}
	return s
}

// TestTwoInstrumentsTogether: two hand scans with little doubt of their place find holes
// better than one, and their intervals hold the truth at least as often as they say.
func TestTwoInstrumentsTogether(t *testing.T) {
	n := 10
	if *study {
		n = 400
	}
	var place, pitch in95
	var alone, together float64
	combined := 0
	for k := range uint64(n) {
		random := rand.New(rand.NewPCG(k, 77))
		a, b := disc{-35, random.Float64(), 6.75}, disc{35, random.Float64(), 6.75}
		seen := []Seen{handScan("first", 11_000_000+2*k, a, b, 0.01, geom.Vec{}), handScan("second", 11_000_001+2*k, a, b, 0.01, geom.Vec{})}
		wantedBoth := []job.Mount{wanted(job.Hole, 13.5, 15, a.x, a.y), wanted(job.Hole, 13.5, 15, b.x, b.y)}
		truth := [2]geom.Vec{placed.Apply(geom.Vec{X: a.x, Y: a.y}), placed.Apply(geom.Vec{X: b.x, Y: b.y})}
		rs := MeasureAll(wantedBoth, seen)
		for i, r := range rs {
			if !r.Found {
				t.Fatalf("job %d: %v", k, r.Findings)
			}
			if len(r.Shares) == 2 {
				combined++
			}
			e, s := r.Center.Sub(truth[i]), r.Cov.Sigmas()
			place.add(e.X, s.X)
			place.add(e.Y, s.Y)
			together += e.X*e.X + e.Y*e.Y
			one := Measure(wantedBoth[i], seen[:1])
			e = one.Center.Sub(truth[i])
			alone += e.X*e.X + e.Y*e.Y
		}
		p := Pitches(rs, seen)[0]
		pitch.add(p.Distance-truth[0].Dist(truth[1]), p.Sigma)
	}
	alone, together = math.Sqrt(alone/float64(4*n)), math.Sqrt(together/float64(4*n))
	t.Logf("%d of %d combined; rms of a coordinate %.4f mm alone, %.4f together; intervals hold the truth in %.1f %% (places), %.1f %% (distances)", combined, 2*n, alone, together, place.share(), pitch.share())
	if combined < n || together > alone {
		t.Errorf("%d of %d combined, rms %.4f mm alone, %.4f together", combined, 2*n, alone, together)
	}
	for _, c := range []in95{place, pitch} {
		if slack := 300 * math.Sqrt(0.05*0.95/float64(c.n)); c.share() < 94-slack {
			t.Errorf("intervals of 95 %% hold the truth in %.1f %%", c.share())
		}
	}
}

// An instrument that lies farther off than both doubts allow is left out and said; one that
// adds next to nothing is left out without a word.
func TestInstrumentsThatDoNotFit(t *testing.T) {
	a, b := disc{-35, 0, 6.75}, disc{35, 0, 6.75}
	m := wanted(job.Hole, 13.5, 15, a.x, a.y)
	first := handScan("first", 21, a, b, 0.01, geom.Vec{})
	alone := Measure(m, []Seen{first})
	off := Measure(m, []Seen{first, handScan("second", 22, a, b, 0.02, geom.Vec{X: 0.9})})
	if off.Center != alone.Center || len(off.Shares) > 0 || len(off.Findings) != len(alone.Findings)+1 || !strings.Contains(off.Findings[len(off.Findings)-1].Text, "first and second see") {
		t.Errorf("0.9 mm off: %+v", off)
	}
	vague := Measure(m, []Seen{first, handScan("second", 23, a, b, 0.5, geom.Vec{})})
	if vague.Center != alone.Center || len(vague.Shares) > 0 || len(vague.Findings) != len(alone.Findings) {
		t.Errorf("hardly better: %+v", vague)
	}
}

// With equal doubts and no registration, two are worth 1/√2 each, whatever the frame; with
// registration alone nothing is won.
func TestJoined(t *testing.T) {
	one := Result{Instrument: "a", Center: geom.Vec{X: 1}, FitCov: geom.Diag(4, 9, 1), Diameter: 10, SigmaDia: 0.3}
	two := Result{Instrument: "b", Center: geom.Vec{X: 3}, FitCov: geom.Diag(4, 9, 1), Diameter: 10.4, SigmaDia: 0.3}
	bare := []Seen{{Instrument: "a"}, {Instrument: "b"}}
	r, ok := joined([]Result{one, two}, []geom.Mat{one.FitCov, two.FitCov}, bare)
	if !ok || r.Center.Dist(geom.Vec{X: 2}) > 1e-12 || math.Abs(r.Cov[0]-2) > 1e-12 || math.Abs(r.Cov[4]-4.5) > 1e-12 || math.Abs(r.Diameter-10.2) > 1e-12 || math.Abs(r.SigmaDia-0.3/math.Sqrt2) > 1e-12 {
		t.Errorf("%+v, %v", r, ok)
	}
	frame := func(geom.Vec) geom.Mat { return geom.Diag(16, 4, 1) }
	datum := func(geom.Vec) geom.Mat { return geom.Diag(1, 1, 1) }
	held := []Seen{{Instrument: "a", FrameCov: func(geom.Vec) geom.Mat { return geom.Diag(17, 5, 2) }, DatumCov: datum}, {Instrument: "b", FrameCov: func(geom.Vec) geom.Mat { return geom.Diag(17, 5, 2) }, DatumCov: datum}}
	one.FitCov, two.FitCov = geom.Diag(1e-9, 1e-9, 1e-9), geom.Diag(1e-9, 1e-9, 1e-9)
	r, ok = joined([]Result{one, two}, []geom.Mat{one.FitCov.Add(frame(geom.Vec{})), two.FitCov.Add(frame(geom.Vec{}))}, held)
	if !ok || math.Abs(r.Cov[0]-17) > 1e-6 || math.Abs(r.Cov[4]-5) > 1e-6 {
		t.Errorf("registration alone: %+v, %v", r.Cov, ok)
	}
}
