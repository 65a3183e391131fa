package intake

import (
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

// doubled counts the points that stand exactly where an earlier one does. Above
// a million points only those are looked at whose place gives a certain number
// when its bits are mixed: twins give the same one, so the share is kept.
func doubled(c *scan.Cloud) int64 {
	every := uint64(1)
	for c.Len()/int(every) > 1<<20 {
		every *= 2
	}
	seen := newTable(c.Len() / int(every))
	var n int64
	for i := range c.X {
		h := mix(uint64(math.Float32bits(c.X[i]))<<32|uint64(math.Float32bits(c.Y[i]))) ^ mix(uint64(math.Float32bits(c.Z[i]))+0x9e3779b97f4a7c15)
		if h = mix(h); h%every != 0 {
			continue
		}
		if seen.get(h) > 0 {
			n++
		} else {
			seen.add(h, 1)
		}
	}
	return n * int64(every)
}

const (
	// sketchSize places stand for a scan: the share that two scans have in common
	// is then known to about 0.045.
	sketchSize = 128
	// sketchGrain is the grid in millimetres to which places are rounded first: a
	// text export with four decimals of a metre moves a tenth of them across.
	sketchGrain = 1.0
	// sameShare of common places makes two scans the same. Exports of one scan have
	// two thirds or more in common; two scans of one scene hardly ever meet in the
	// same cubic millimetre.
	sameShare = 0.4
)

// Sketch returns what identifies the points of a scan whatever their order,
// format and unit: of the numbers that their rounded places give when mixed, the
// smallest ones, ascending (A. Broder, On the resemblance and containment of
// documents, 1997). mm is the size in millimetres of the cloud's unit.
func Sketch(c *scan.Cloud, mm float64) []uint64 {
	least := make([]uint64, 0, 2*sketchSize)
	limit := uint64(math.MaxUint64)
	for i := range c.X {
		p := c.At(i).Scale(mm / sketchGrain)
		h := mix(mix(uint64(int64(math.Round(p.X)))+0x9e3779b97f4a7c15)^mix(uint64(int64(math.Round(p.Y)))+0x3c6ef372fe94f82a)<<1) ^ mix(uint64(int64(math.Round(p.Z)))+0xdaa66d2c7ddf743f)
		if h = mix(h); h >= limit {
			continue
		}
		least = append(least, h)
		if len(least) == cap(least) {
			least = smallest(least)
			if len(least) == sketchSize {
				limit = least[sketchSize-1]
			}
		}
	}
	return slices.Clone(smallest(least))
}

func smallest(v []uint64) []uint64 {
	slices.Sort(v)
	v = slices.Compact(v)
	return v[:min(len(v), sketchSize)]
}

// leastSketch is how many places it takes to call two scans the same.
const leastSketch = 32

// SameScan reports whether two sketches are those of the same points.
func SameScan(a, b []uint64) bool {
	if min(len(a), len(b)) < leastSketch {
		return false
	}
	union, common := 0, 0
	for i, j := 0, 0; union < sketchSize && (i < len(a) || j < len(b)); union++ {
		switch {
		case j == len(b) || i < len(a) && a[i] < b[j]:
			i++
		case i == len(a) || b[j] < a[i]:
			j++
		default:
			i, j, common = i+1, j+1, common+1
		}
	}
	return float64(common) >= sameShare*float64(union)
}

// SamePoints is the finding for a scan whose points another file has as well.
func SamePoints(subject, other string) job.Finding {
	return job.Finding{Code: job.FileDuplicate, Severity: job.Warn, Subject: subject,
		Text: fmt.Sprintf("%s holds the same points as %s, in another order, format or unit; they are used once, since a second copy is no second measurement. To do: take one of the two out of the drop folder.", job.Printable(subject), job.Printable(other))}
}
