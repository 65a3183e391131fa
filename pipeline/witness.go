package pipeline

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
	"trammel/pipeline/sphere"
	"trammel/pipeline/stage"
	"trammel/pipeline/surface"
)

const witnessVersion = 5

// witness compares every pair of registered scans that overlap, whatever tied them,
// and each tracked instrument with all set-ups together.
func (r *run) witness(ctx context.Context, b *Built) error {
	list := b.allPlaced()
	key, err := b.stageKey("witness", witnessVersion, b.grain(), list)
	if err != nil {
		return err
	}
	found, err := stage.Run(r.store, "witness", "job", key, stage.JSON[witnessed](), func() (witnessed, error) { return r.compareAll(ctx, b, list) })
	if err != nil {
		return err
	}
	b.Overlaps, b.Bends = found.Overlaps, found.Bends
	b.judgeOverlaps(list)
	for _, x := range b.Bends {
		b.judgeBend(x)
	}
	b.judgeLonely(list)
	return nil
}

// judgeLonely warns of set-ups whose poses were given and that neither a sphere nor surface
// shared with another scan checks.
func (b *Built) judgeLonely(list []placed) {
	if len(list) < 2 {
		return
	}
	shares := map[int]bool{}
	for _, o := range b.Overlaps {
		shares[o.A], shares[o.B] = true, true
	}
	for _, s := range b.Stations {
		f := &b.Files[s.File]
		if !s.Linked || s.Solved >= 0 || s.BySurface != nil || shares[s.File] || slices.ContainsFunc(f.Spheres, func(x sphere.Sphere) bool { return x.Usable }) {
			continue
		}
		b.Findings = append(b.Findings, job.Finding{Code: job.OverlapNone, Severity: job.Warn, Subject: f.Path,
			Text: fmt.Sprintf("%s shares no surface with any other scan (fewer than %d places), and shows no sphere: its pose was given, and nothing checks it. What it saw stands alone in the mesh. To do: check its line in poses.csv or the pose in the file; or scan once more from between, so that a third of the surface is shared.", job.Printable(f.Path), leastCompared)})
	}
}

// witnessed is what the stage keeps.
type witnessed struct {
	Overlaps []Overlap
	Bends    []Bent
}

const (
	// leastCompared is the number of places below which a median says little: its
	// standard error is then above a tenth of the scatter.
	leastCompared = 200
	// fewPlaces are enough of an overlap's patches to say how well ties hold it, and to
	// draw it.
	fewPlaces = 160
)

// compareAll thins further, to what a comparison needs, and compares each pair.
func (r *run) compareAll(ctx context.Context, b *Built, list []placed) (witnessed, error) {
	clouds := make([]*scan.Cloud, len(list))
	for i, p := range list {
		c, err := r.thin(ctx, b, p.file)
		if err != nil {
			return witnessed{}, err
		}
		clouds[i] = surface.Thin(c.Cloud, 4*b.grain()).Moved(p.toFrame)
	}
	slots := make([][]Overlap, len(list))
	err := par.Each(ctx, len(list), func(i int) error {
		w := surface.NewWitness(clouds[i], 8*b.grain())
		for j := i + 1; j < len(list); j++ {
			noise := math.Hypot(b.usualNoise(list[i]), b.usualNoise(list[j]))
			d, patches, err := w.Compare(ctx, clouds[j], noise)
			if err != nil {
				return err
			}
			if d.Points < leastCompared {
				continue
			}
			o := Overlap{A: list[i].file, B: list[j].file, Distances: d, Places: some(patches, fewPlaces)}
			if m, ok := surface.Suggest(patches); ok {
				o.Motion = &m
			}
			slots[i] = append(slots[i], o)
		}
		return nil
	})
	out := witnessed{Overlaps: []Overlap{}}
	for _, s := range slots {
		out.Overlaps = append(out.Overlaps, s...)
	}
	if err == nil {
		out.Bends, err = b.bends(ctx, list, clouds)
	}
	return out, err
}

// usualNoise is the range noise of a placed scan: what the sheet states, or else what
// is usual for its kind.
func (b *Built) usualNoise(p placed) float64 {
	if b.Files[p.file].Kind == job.Tracked {
		return orElse(b.noise(p.file), usualTrackedNoise)
	}
	return orElse(b.noise(p.file), usualStationNoise)
}

// some returns n of a list, evenly chosen.
func some[T any](list []T, n int) []T {
	if len(list) <= n {
		return list
	}
	out := make([]T, n)
	for i := range out {
		out[i] = list[i*len(list)/n]
	}
	return out
}

// bends compares each tracked instrument's scans with all set-ups together, for what
// no rigid motion explains: an object that sagged on its stands, or was lifted, between
// the two.
func (b *Built) bends(ctx context.Context, list []placed, clouds []*scan.Cloud) ([]Bent, error) {
	var stations []*scan.Cloud
	tracked := map[int][]*scan.Cloud{}
	for i, p := range list {
		if b.Files[p.file].Kind == job.Tracked {
			ins := b.Files[p.file].Instrument
			tracked[ins] = append(tracked[ins], clouds[i])
		} else {
			stations = append(stations, clouds[i])
		}
	}
	out := []Bent{}
	if len(stations) == 0 {
		return out, nil
	}
	w := surface.NewWitness(scan.Join(stations), 8*b.grain())
	for i, ins := range b.Job.Instruments {
		if len(tracked[i]) == 0 {
			continue
		}
		_, patches, err := w.Compare(ctx, scan.Join(tracked[i]), 0)
		if err != nil {
			return nil, err
		}
		if x, ok := surface.Warp(patches); ok {
			out = append(out, Bent{Instrument: ins.Name, Bend: x})
		}
	}
	return out, nil
}

// madToSigma turns a median absolute deviation into the standard deviation of a
// normal distribution: 1/Φ⁻¹(3/4).
const madToSigma = 1.4826

const (
	// stable is how far scans may stand apart, 1 sigma in mm, without anything having
	// gone wrong: the stability of tripod, stands and object that the network's floor has
	// as well (common practice, no source).
	stable = 0.1
	// clearly is the number of standard uncertainties from which on a motion is
	// suggested: of six directions that pairs may differ in, one is beyond it by chance
	// in some two of a thousand sound pairs.
	clearly = 4.0
)

// weighOverlap sets how far two scans may lie apart by their ties and their noise, and
// whether a motion of the one would clearly bring them closer.
func (b *Built) weighOverlap(o *Overlap, list []placed) {
	at := map[int]placed{}
	for _, p := range list {
		at[p.file] = p
	}
	tie2 := 0.0
	for _, p := range o.Places {
		cov := b.between(at[o.A], at[o.B], p.At)
		tie2 += max(0, p.Normal.Dot(cov.MulVec(p.Normal))) / float64(len(o.Places))
	}
	o.Tie = math.Sqrt(tie2)
	o.Limit = max(2*b.noise(o.A), 2*b.noise(o.B), 2*madToSigma*o.MAD, 3*math.Hypot(o.Tie, stable))
	if o.Motion != nil {
		o.Allowed = clearly * math.Sqrt(o.Motion.Sigma*o.Motion.Sigma+tie2+stable*stable)
		o.Suggested = o.Motion.Lowers > o.Allowed && o.Motion.Explained() > mostlyMotion
	}
}

// reportOverlap warns where two scans disagree by more than is allowed: in the median, or
// by a motion.
func (b *Built) reportOverlap(o *Overlap) {
	text := fmt.Sprintf("%s lies %.2f mm from %s where they overlap (median of %d places, scatter %.2f mm, 95 %% within %.2f mm); %.2f mm are allowed.",
		job.Printable(b.Files[o.B].Path), o.Median, job.Printable(b.Files[o.A].Path), o.Points, o.MAD, o.P95, o.Limit)
	f := job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: b.Files[o.B].Path, Stations: []string{b.Files[o.A].Path, b.Files[o.B].Path}}
	switch {
	case o.Suggested:
		f.Text = text + " " + suggestion(o) + " To do: check that nothing moved between the two scans, and that neither is tied to a sphere that was nudged."
	case math.Abs(o.Median) > o.Limit:
		f.Text = text + " To do: check that nothing moved between the two scans, and that neither is tied to a sphere that was nudged."
	case o.Motion != nil && o.Motion.Before > o.Allowed:
		f.Severity, f.Text = job.Note, text+" "+inPlaces(o)
	default:
		return
	}
	b.Findings = append(b.Findings, f)
}

// mostlyMotion is the share of the squared distances that a motion must take off to be
// the cause: what is left of a moved set-up is noise, what is left of a translucent tank or
// a moved hose is most of it.
const mostlyMotion = 0.75

// inPlaces says where two scans disagree that no motion of the one brings together.
func inPlaces(o *Overlap) string {
	var far []float64
	var sum geom.Vec
	for _, p := range o.Places {
		if math.Abs(p.Mean) > o.Allowed && math.Abs(p.Mean) > clearly*p.Sigma {
			far, sum = append(far, math.Abs(p.Mean)), sum.Add(p.At)
		}
	}
	if len(far) == 0 {
		return "In places they lie farther apart."
	}
	slices.Sort(far)
	at := sum.Scale(1 / float64(len(far)))
	why := "no motion of the one explains it"
	if o.Refuted {
		why = "other scans see both where they are, so that neither has moved"
	}
	return fmt.Sprintf("%.0f %% of the pieces of surface that both saw, around (%.0f, %.0f, %.0f) mm, lie %.2f mm apart (median), and %s. To do: see whether the surface there is translucent or shiny, so that depths depend on the direction, or whether something was moved.",
		100*float64(len(far))/float64(len(o.Places)), at.X, at.Y, at.Z, far[len(far)/2], why)
}

// suggestion puts a motion into words.
func suggestion(o *Overlap) string {
	m := o.Motion
	words := fmt.Sprintf("A shift of the first by (%.2f, %.2f, %.2f) mm", m.Shift.X, m.Shift.Y, m.Shift.Z)
	if turn := m.Turn.Norm(); turn > 0 {
		u := m.Turn.Unit()
		words += fmt.Sprintf(" with a turn of %.4f° about (%.2f, %.2f, %.2f) at (%.0f, %.0f, %.0f) mm", turn*180/math.Pi, u.X, u.Y, u.Z, m.Center.X, m.Center.Y, m.Center.Z)
	}
	return fmt.Sprintf("%s would take off %.2f mm rms, where %.2f mm are allowed: from %.2f to %.2f mm.", words, m.Lowers, o.Allowed, m.Before, m.After)
}

// between is the covariance that registration leaves in the place of one scan's
// surface against another's. What two scans share that one adjustment placed cancels.
func (b *Built) between(p, q placed, at geom.Vec) geom.Mat {
	if b.Network != nil && p.solved >= 0 && q.solved >= 0 && len(b.Network.Joint.Stations) > 0 {
		own := b.Network.DifferenceCov(p.solved, p.toFrame.Inverse().Apply(at), q.solved, q.toFrame.Inverse().Apply(at))
		return b.ToFrame.R.Congruent(own)
	}
	if i, ok := b.bodies[p.file]; ok && b.graph != nil {
		if j, ok := b.bodies[q.file]; ok && i != j {
			return b.ToFrame.R.Congruent(b.graph.Relative(i, j).At(b.ToFrame.Inverse().Apply(at).Sub(b.graph.Middle)))
		}
	}
	return p.tie(at).Add(q.tie(at))
}

// Limits from which on an object counts as bent, mm: what instruments of its two
// kinds see differently anyway. It must also be clearly beyond its uncertainty, and a
// quarter of what rigid motions leave.
const leastExplained = 0.25

// judgeBend says that an object was not the same shape for two instruments, rather
// than averaging it away.
func (b *Built) judgeBend(x Bent) {
	least := 2 * b.grainNoise()
	var words []string
	beyond := func(value, sigma float64) bool {
		return math.Abs(value) > least && math.Abs(value) > clearly*math.Hypot(sigma, stable)
	}
	for k, bow := range x.Bow {
		if beyond(bow, x.Sigma[k]) {
			a := x.Across[k]
			if bow < 0 {
				a, bow = geom.Vec{}.Sub(a), -bow
			}
			words = append(words, fmt.Sprintf("its ends lie %.2f mm (standard uncertainty %.2f mm) further towards (%.2f, %.2f, %.2f) against its middle", bow, math.Hypot(x.Sigma[k], stable), a.X, a.Y, a.Z))
		}
	}
	// A twist is judged by what it does at a quarter of a metre from the axis: half the width of a frame
	// or a boom (common practice, no source).
	const arm = 250
	if beyond(x.TwistRad*arm, x.Sigma[2]*arm) {
		words = append(words, fmt.Sprintf("it is twisted by %.3f°", math.Abs(x.TwistRad)*180/math.Pi))
	}
	if beyond(x.Stretch, x.Sigma[3]) {
		words = append(words, fmt.Sprintf("it is %.2f mm (standard uncertainty %.2f mm) longer", x.Stretch, math.Hypot(x.Sigma[3], stable)))
	}
	if len(words) == 0 || x.Explained < leastExplained {
		return
	}
	b.Findings = append(b.Findings, job.Finding{Code: job.NotRigid, Severity: job.Warn, Subject: x.Instrument,
		Text: fmt.Sprintf("The object had another shape for %s than for the set-ups: over %.0f mm along (%.2f, %.2f, %.2f) %s; that is %.0f %% of what the best rigid placement leaves. To do: see whether the object was lifted, loaded or set on other stands between the two; places far apart then do not fit each other, whatever their own uncertainty says.",
			x.Instrument, x.Length, x.Along.X, x.Along.Y, x.Along.Z, strings.Join(words, " and "), 100*x.Explained)})
}

// grainNoise is the noise of one thinned place of the set-ups: what systematic
// differences between instruments may hide in.
func (b *Built) grainNoise() float64 {
	noise := 0.0
	for _, p := range b.placedStations() {
		noise = max(noise, b.usualNoise(p))
	}
	return noise / 4
}
