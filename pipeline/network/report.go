package network

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

func sorted(f []job.Finding) []job.Finding {
	job.SortFindings(f)
	return f
}

func sentence(format string, values ...any) string { return fmt.Sprintf(format, values...) }

func (s *solver) report(code job.Code, severity job.Severity, subject, text string, stations ...string) {
	s.findings = append(s.findings, job.Finding{Code: code, Severity: severity, Subject: subject, Text: text, Stations: stations})
}

func count(n int, noun string) string {
	switch n {
	case 0:
		return "no " + noun
	case 1:
		return "one " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// explain reports a station with enough spheres that could not be tied.
func (s *solver) explain(st int, pairs []pairMatch) {
	name := s.stations[st].Name
	if s.isMirrored(st, pairs) {
		s.report(job.StationUnlinked, job.Hold, name, "Its distances between spheres agree with the others, but only as a mirror image: the file's axes are left-handed, one of them is reversed or two are swapped. Export the scan again with right-handed axes.")
		return
	}
	if m, with := s.bestFor(st, pairs); len(m.pairs) >= 3 && m.rivals > 0 {
		s.reportAmbiguous(st, m, with)
		return
	}
	if len(pairs) == 0 {
		s.report(job.StationUnlinked, job.Hold, name, sentence("It shows %s, and no other set-up shows three or more: there is nothing to tie it to. Scan from further set-ups with the same spheres in view.", count(len(s.seen[st]), "sphere")))
		return
	}
	mates := s.mates(st, pairs)
	if len(mates) > 0 {
		s.report(job.StationUnlinked, job.Hold, name, sentence("It ties to %s, but none of these shares three spheres with the larger set of %d set-ups. Scan once more from between the two, with three spheres of each side in view.", strings.Join(mates, ", "), len(s.linked)))
		return
	}
	if straight(s.seen[st]) {
		s.report(job.StationUnlinked, job.Hold, name, "All of its spheres stand on one straight line, which leaves the rotation about that line open. Move one of them aside by half a metre or more and scan again.")
		return
	}
	agreeing, total := s.agreements(st)
	what := sentence("%d of the %d distances between its spheres are found anywhere else, and no three of them form one triangle", agreeing, total)
	if agreeing == 0 {
		what = sentence("None of the %d distances between its spheres is found at any other set-up: it may be a scan of another place, in other units, or from before the stands were moved", total)
	}
	s.report(job.StationUnlinked, job.Hold, name, what+". At least three spheres must be shared. Check that the file belongs to this job, and scan again with more of the common spheres in view.")
}

// isMirrored reports whether more spheres of a station fit in the mirror than
// straight, four at least: any triangle fits both ways.
func (s *solver) isMirrored(st int, pairs []pairMatch) bool {
	straight, _ := s.bestFor(st, pairs)
	mirrored := slices.Clone(s.seen[st])
	for i := range mirrored {
		mirrored[i].center.X = -mirrored[i].center.X
	}
	best := len(findMatch(s.known(), mirrored, agree).pairs)
	for other := range s.seen {
		if other != st && len(s.linked) == 0 {
			best = max(best, len(findMatch(s.seen[other], mirrored, agree).pairs))
		}
	}
	return best > max(3, len(straight.pairs))
}

// bestFor returns the largest match of a station, with the network or with a
// single station, its own observations second, and a name for what it was matched
// with.
func (s *solver) bestFor(st int, pairs []pairMatch) (match, string) {
	var best match
	with := "the network"
	if len(s.linked) > 0 {
		best = findMatch(s.known(), s.seen[st], agree)
	}
	for _, p := range pairs {
		other := p.a + p.b - st
		if (p.a == st || p.b == st) && len(p.pairs) > len(best.pairs) {
			best, with = p.match, s.stations[other].Name
			if p.a == st {
				best.pairs = flipped(p.pairs)
			}
		}
	}
	return best, with
}

func flipped(pairs [][2]int) [][2]int {
	out := make([][2]int, len(pairs))
	for i, p := range pairs {
		out[i] = [2]int{p[1], p[0]}
	}
	return out
}

// mates returns the names of the stations that a station outside the network is
// tied to.
func (s *solver) mates(st int, pairs []pairMatch) []string {
	var names []string
	for _, part := range s.components(pairs) {
		if !slices.Contains(part, st) {
			continue
		}
		for _, other := range part {
			if other != st {
				names = append(names, s.stations[other].Name)
			}
		}
	}
	return names
}

func straight(seen []sight) bool {
	from, along := seen[0], geom.Vec{}
	for _, o := range seen {
		if d := o.center.Sub(from.center); d.Norm2() > along.Norm2() {
			along = d
		}
	}
	along = along.Unit()
	return !slices.ContainsFunc(seen, func(o sight) bool { return along.Cross(o.center.Sub(from.center)).Norm() > 10*agree*o.sigma })
}

// agreements counts the distances of a station that some other station also has.
func (s *solver) agreements(st int) (n, total int) {
	for _, e := range edges(s.seen[st]) {
		total++
		if s.isElsewhere(st, e) {
			n++
		}
	}
	return n, total
}

func (s *solver) isElsewhere(st int, e edge) bool {
	for other := range s.seen {
		if other == st {
			continue
		}
		m := newMatcher(s.seen[other], s.seen[st], agree)
		for i := range m.a {
			for k := range i {
				if m.same(i, k, e.i, e.k, 1) {
					return true
				}
			}
		}
	}
	return false
}

// reportAll adds the findings of the adjusted network.
func (s *solver) reportAll(r *Result, number []int) {
	s.split = slices.DeleteFunc(s.split, func(x splitOff) bool { return number[x.sphere] < 0 || number[x.place] < 0 }) // nobody sees it any more
	disturbed := s.disturbed(r, number)
	for _, x := range s.split {
		if place := r.Spheres[number[x.place]]; x.resolved && len(place.Stations) == 1 && slices.Contains(disturbed, place.Stations[0]) {
			continue
		}
		s.reportMoved(r, x, number)
	}
	for _, st := range disturbed {
		s.reportDisturbed(r, st, number)
	}
	for _, x := range s.slips {
		s.reportSlip(r, x)
	}
	for _, at := range s.foreign {
		s.reportForeign(r, at, number)
	}
	s.reportSwaps(r, number)
	s.reportRepeated(r)
	s.reportTilts(r)
	for st, factor := range s.scale {
		if factor != 1 {
			s.reportScale(r, st, factor)
		}
	}
	for _, st := range s.linked {
		s.reportLayout(r, st)
	}
}

func (s *solver) reportMoved(r *Result, x splitOff, number []int) {
	main := r.Spheres[number[x.sphere]]
	if !x.resolved {
		s.report(job.SphereMoved, job.Hold, main.ID, sentence("The set-ups disagree about %s by %.2f mm (standard uncertainty %.2f mm), but too few spheres are shared to tell whether it moved or another one did; nothing was taken out. "+
			"Check the stands, and scan again with at least five common spheres.", main.ID, x.by.Norm(), x.sigma))
		return
	}
	place := r.Spheres[number[x.place]]
	by := place.Center.Sub(main.Center)
	var names []string
	for _, st := range place.Stations {
		names = append(names, s.stations[st].Name)
	}
	s.report(job.SphereMoved, job.Hold, main.ID, sentence("For %s, %s stands %.2f mm (standard uncertainty %.2f mm) away from where the others saw it, %s: by %+.2f, %+.2f, %+.2f mm along the network's axes. "+
		"It was taken for two spheres, %s and %s. Check its stand and what was done between these set-ups; where only one set-up is named, its view of the sphere may have been disturbed.",
		strings.Join(names, ", "), main.ID, by.Norm(), x.sigma, s.towards(main.Center, by), by.X, by.Y, by.Z, main.ID, place.ID), names...)
}

func (s *solver) reportScale(r *Result, st int, factor float64) {
	longest := 0.0
	for _, e := range edges(s.seen[st]) {
		longest = max(longest, e.length)
	}
	how := "long"
	if factor < 1 {
		how = "short"
	}
	note := ""
	if len(s.linked) == 2 {
		note = " With two set-ups it may as well be the other one."
	}
	s.report(job.StationScale, job.Hold, r.Stations[st].Name, sentence("All its distances between spheres are too %s by the factor %.6f (%+.0f ppm), %.2f mm over the longest of %.1f m; the factor was taken out for the network.%s "+
		"Likely causes are the range calibration, the instrument's temperature, or units. Let the instrument warm up, check it against a known length, and scan again.",
		how, factor, (factor-1)*1e6, math.Abs(factor-1)*longest, longest/1000, note))
}

// A layout is called weak where the shared spheres stand within a tenth of their
// length of one line, or within a seventh of the extent of the whole network: a
// rotation is then held ten or seven times worse than the layout could.
const (
	thin    = 0.10
	bunched = 0.15
)

func (s *solver) reportLayout(r *Result, st int) {
	values, axes, n := s.scatter(r, func(x SphereResult) bool { return len(x.Stations) > 1 && slices.Contains(x.Stations, st) })
	all, _, m := s.scatter(r, func(x SphereResult) bool { return len(x.Stations) > 1 })
	if n < 3 || m < 3 {
		return
	}
	name := r.Stations[st].Name
	long := axes.Col(2)
	turn := math.Sqrt(max(0, r.Stations[st].Cov.Block(0, 0).MulVec(long).Dot(long)))
	switch {
	case math.Sqrt(values.Y/values.Z) < thin:
		s.report(job.LayoutWeak, job.Warn, name, sentence("Its %d shared spheres stand nearly on one line, within %.0f mm of a line %.0f mm long (rms, one side), so the rotation about the direction (%.2f, %.2f, %.2f) is held to %.4f° only: %.2f mm at one metre from it. "+
			"Put one more sphere well aside of that line.", n, math.Sqrt(values.Y/float64(n)), math.Sqrt(values.Z/float64(n)), long.X, long.Y, long.Z, turn*180/math.Pi, turn*1000))
	case math.Sqrt((values.X+values.Y+values.Z)/float64(n)) < bunched*math.Sqrt((all.X+all.Y+all.Z)/float64(m)):
		s.report(job.LayoutWeak, job.Warn, name, sentence("Its %d shared spheres stand close together, %.0f mm about their middle (rms) against %.0f mm for the whole network, so its rotation is held to %.4f° only: %.2f mm at one metre from them. "+
			"Include a sphere on the far side of the object.", n, math.Sqrt((values.X+values.Y+values.Z)/float64(n)), math.Sqrt((all.X+all.Y+all.Z)/float64(m)), turn*180/math.Pi, turn*1000))
	}
}

func (s *solver) scatter(r *Result, take func(SphereResult) bool) (values geom.Vec, axes geom.Mat, n int) {
	var mean geom.Vec
	for _, x := range r.Spheres {
		if take(x) {
			mean = mean.Add(x.Center)
			n++
		}
	}
	mean = mean.Scale(1 / float64(max(1, n)))
	var sum geom.Mat
	for _, x := range r.Spheres {
		if take(x) {
			d := x.Center.Sub(mean)
			sum = sum.Add(geom.Outer(d, d))
		}
	}
	values, axes = geom.Eigen(sum)
	return values, axes, n
}
