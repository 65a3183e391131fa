package surface

import (
	"fmt"
	"math"
	"strings"
)

// DoubtKind says why a placement must not be trusted.
type DoubtKind string

// The kinds of doubt.
const (
	DoubtAmbiguous     DoubtKind = "ambiguous"     // another placement fits nearly as well
	DoubtOverlap       DoubtKind = "overlap"       // too little surface is shared
	DoubtSliding       DoubtKind = "sliding"       // the shared surface does not hold all motions
	DoubtContradiction DoubtKind = "contradiction" // the surfaces run beside or through each other
	DoubtBlocked       DoubtKind = "blocked"       // one surface stands in the other scanner's free sight
	DoubtPlanes        DoubtKind = "planes"        // no more than three planes are shared: any corner fits any other
	DoubtSize          DoubtKind = "size"          // the one surface is larger than the other, though they lie on each other
	DoubtFit           DoubtKind = "fit"           // the distances are larger than noise and spacing explain
)

// Doubt is one reason against a placement, with its numbers.
type Doubt struct {
	Kind  DoubtKind
	Text  string // a full sentence with the measured value, the limit and what to do
	Other int    // for DoubtAmbiguous: the number of the other placement in the list
}

// Limits of trust. All are shares or ratios, free of units, and measured where no
// other reason is given: testdata/locate-study.md tells what right and wrong placements show.
const (
	leastMeets      = 0.30  // share of the smaller surface; about a third is the usual advice for tying by surface (common practice, no source)
	mostContradicts = 0.015 // share of the near places
	leastBeside     = 0.02  // share of the meeting places beside three planes: less are rounded edges and noise
	mostBlocked     = 0.01  // share of a surface
	nearlyAsWell    = 0.80  // score over the best one's
	mostSigmas      = 3.0   // rms distance over what a cloud shows against itself
	mostLarger      = 0.005 // relative size: instruments agree to some 1e-3, units and wrong models do not (common practice, no source)
	largerSigmas    = 5.0   // of the relative size
	finestCells     = 0.1   // of a cell: bends and spacing leave that much without any noise
)

// judge returns the doubts about the first of the placements.
func (l *locator) judge(found []Placement) []Doubt {
	p := &found[0]
	var out []Doubt
	add := func(is bool, kind DoubtKind, format string, args ...any) {
		if is {
			out = append(out, Doubt{Kind: kind, Text: fmt.Sprintf(format, args...)})
		}
	}
	add(p.Meets() < leastMeets, DoubtOverlap,
		"Only %.0f %% of the smaller surface meets the other, at least %.0f %% are needed: scan more of what both share.", 100*p.Meets(), 100*leastMeets)
	add(p.Contradicts > mostContradicts, DoubtContradiction,
		"Where the surfaces are near each other, they run beside or through each other in %.1f %% of the places, at most %.1f %% are accepted: it may be another object, or one that was changed.", 100*p.Contradicts, 100*mostContradicts)
	add(p.Blocked > mostBlocked, DoubtBlocked,
		"%.1f %% of one surface stands where the other scanner looked through, at most %.1f %% are accepted: it may be another object, or one that was changed.", 100*p.Blocked, 100*mostBlocked)
	add(len(p.Loose) > 0, DoubtSliding,
		"The shared surface does not hold %s (%d of 6 motions): scan something that does, such as an edge across.", strings.Join(p.Loose, " and "), len(p.Loose))
	add(p.Beside < leastBeside, DoubtPlanes,
		"All but %.1f %% of the shared surface are three planes, at least %.0f %% are needed beside them: every corner of a box fits every other, scan something that tells this one.", 100*p.Beside, 100*leastBeside)
	larger := math.Abs(p.Size.Relative)
	add(larger > mostLarger && larger > largerSigmas*p.Size.Sigma, DoubtSize,
		"The scan is %+.2f %% (standard uncertainty %.2f %%) larger than what it lies on, at most %.1f %% are accepted: check its units and its scale, and that it is the same object.", 100*p.Size.Relative, 100*p.Size.Sigma, 100*mostLarger)
	limit := mostSigmas * math.Max(l.noise, finestCells*l.grain)
	add(p.RMS > limit, DoubtFit,
		"The surfaces are %.3g mm apart (rms), noise and spacing explain at most %.3g mm: the scale, the object or the scanner is not the same.", p.RMS, limit)
	if k := rival(found); k > 0 {
		add(true, DoubtAmbiguous, "Another placement, %.3g mm away, fits nearly as well (score %.2f against %.2f): scan something that tells the two apart.",
			l.apart(p.SourceToTarget, found[k].SourceToTarget), found[k].Score, p.Score)
		out[len(out)-1].Other = k
	}
	return out
}

// rival returns the number of a placement that may be the right one instead of the
// first: its score is nearly as high, or more of it meets but it slides; 0 when there
// is none.
func rival(found []Placement) int {
	for k := 1; k < len(found); k++ {
		if found[k].Score > nearlyAsWell*found[0].Score || found[k].score() > found[0].score() {
			return k
		}
	}
	return 0
}
