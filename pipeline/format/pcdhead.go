package format

import (
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"trammel/pipeline/geom"
)

// pcdField is one value of a point.
type pcdField struct {
	name    string
	kind    scalar
	isKnown bool // whether kind is one that can be read
	size    int
	at      int64 // offset in a record; of the first byte of its block in the compressed form
	stride  int   // bytes from one point's value to the next
	column  int   // among the numbers of an ascii row
}

// pcdHeader is what stands before the points.
type pcdHeader struct {
	fields        []pcdField
	names         []string
	sizes, counts []int
	types         []string
	width, height int64
	points        int64
	data          string
	pose          *geom.Pose
	record        int // bytes a point
	columns       int // numbers a point
}

// mostPCDLines bounds a header that never comes to its DATA line.
const mostPCDLines = 1000

func (p *pcdReader) readHeader() error {
	h := &p.head
	h.points = Unsaid
	for range mostPCDLines {
		raw, err := p.src.line()
		if err == io.EOF { //nolint:errorlint // line returns the bare io.EOF
			break
		}
		if err != nil {
			return err
		}
		key, rest, _ := strings.Cut(strings.TrimSpace(string(raw)), " ")
		words := strings.Fields(rest)
		if key == "" || strings.HasPrefix(key, "#") {
			continue
		}
		if key == "DATA" {
			h.data = strings.Join(words, " ")
			return p.layOut()
		}
		if err := h.take(key, words, p.about); err != nil {
			return err
		}
	}
	return broken("the PCD header has no DATA line")
}

// take notes one line of the header.
func (h *pcdHeader) take(key string, words []string, about *About) (err error) {
	switch key {
	case "FIELDS", "COLUMNS":
		h.names = words
	case "SIZE":
		h.sizes, err = pcdCounts(key, words)
	case "TYPE":
		h.types = words
	case "COUNT":
		h.counts, err = pcdCounts(key, words)
	case "WIDTH":
		h.width, err = pcdCount(key, words)
	case "HEIGHT":
		h.height, err = pcdCount(key, words)
	case "POINTS":
		h.points, err = pcdCount(key, words)
	case "VIEWPOINT":
		h.pose = pcdPose(words, about)
	case "VERSION":
	default:
		about.note("The PCD header has a line %q, which is passed over.", clip(key))
	}
	return err
}

// pcdPose reads a viewpoint: a translation and a quaternion, the real part first.
// The one that stands in a file whose writer knew of none is the identity, which
// says nothing.
func pcdPose(words []string, about *About) *geom.Pose {
	var v [7]float64
	isGood := len(words) == len(v)
	for i := range v {
		if isGood {
			x, err := strconv.ParseFloat(words[i], 64)
			v[i], isGood = x, err == nil && math.Abs(x) < absurd
		}
	}
	q := geom.Quat{W: v[3], X: v[4], Y: v[5], Z: v[6]}
	if n := math.Hypot(math.Hypot(q.W, q.X), math.Hypot(q.Y, q.Z)); !isGood || math.Abs(n-1) > 0.01 {
		about.note("The PCD file names the viewpoint %s, which is none; it is passed over.", clip(strings.Join(words, " ")))
		return nil
	}
	if v == [7]float64{3: 1} {
		return nil
	}
	return &geom.Pose{R: q.Mat(), T: geom.Vec{X: v[0], Y: v[1], Z: v[2]}}
}

// A coordinate or a count in a header is never negative, and never needs more
// than 62 bits.
func pcdCount(key string, words []string) (int64, error) {
	if len(words) == 1 {
		if n, err := strconv.ParseInt(words[0], 10, 63); err == nil && n >= 0 && n < math.MaxInt64/2 {
			return n, nil
		}
	}
	return 0, broken("the PCD header says %s %s, which is no number of things", key, clip(strings.Join(words, " ")))
}

func pcdCounts(key string, words []string) ([]int, error) {
	out := make([]int, len(words))
	for i, w := range words {
		n, err := pcdCount(key, []string{w})
		if err != nil || n > 1<<16 {
			return nil, broken("the PCD header says %s %s", key, clip(strings.Join(words, " ")))
		}
		out[i] = int(n)
	}
	return out, nil
}

// layOut turns the header into fields with places.
func (p *pcdReader) layOut() error {
	h := &p.head
	n := len(h.names)
	if h.counts == nil {
		h.counts = slices.Repeat([]int{1}, n)
	}
	if h.sizes == nil && h.types == nil { // version 0.5 knew ascii numbers alone
		h.sizes, h.types = slices.Repeat([]int{4}, n), slices.Repeat([]string{"F"}, n)
	}
	if n == 0 || len(h.sizes) != n || len(h.types) != n || len(h.counts) != n {
		return broken("the PCD header has %d FIELDS, %d SIZEs, %d TYPEs and %d COUNTs", n, len(h.sizes), len(h.types), len(h.counts))
	}
	if err := h.settleSize(); err != nil {
		return err
	}
	for i, name := range h.names {
		kind, ok := pcdKind(h.types[i], h.sizes[i])
		h.fields = append(h.fields, pcdField{name: name, kind: kind, isKnown: ok, size: h.sizes[i], at: int64(h.record), column: h.columns})
		h.record += h.sizes[i] * h.counts[i]
		h.columns += h.counts[i]
		if h.record > mostPCDRecord {
			return broken("a point of the PCD file is said to have more than %d bytes", mostPCDRecord)
		}
	}
	for i := range h.fields {
		h.fields[i].stride = h.record
	}
	return p.pick()
}

// mostPCDRecord bounds the bytes of a point: histograms of a thousand bins fit a
// hundred times.
const mostPCDRecord = 1 << 19

// settleSize makes the three counts agree. Files of version 0.5 may give the
// width alone, others the number of points alone.
func (h *pcdHeader) settleSize() error {
	if h.height == 0 {
		h.height = 1
	}
	if h.width > math.MaxInt64/2/h.height {
		return broken("the PCD header promises %d × %d points", h.width, h.height)
	}
	if h.points == Unsaid {
		h.points = h.width * h.height
	}
	if h.width == 0 && h.height == 1 {
		h.width = h.points
	}
	if h.width*h.height != h.points {
		return broken("the PCD header promises %d points and %d × %d of them", h.points, h.width, h.height)
	}
	return nil
}

// pcdKind is a type letter and a size as one of the kinds that can be read.
func pcdKind(letter string, size int) (scalar, bool) {
	kinds := map[string]scalar{"I1": int8s, "U1": uint8s, "I2": int16s, "U2": uint16s, "I4": int32s, "U4": uint32s, "F4": float32s, "F8": float64s}
	k, ok := kinds[strings.ToUpper(letter)+strconv.Itoa(size)]
	return k, ok
}

// pick finds the fields that are wanted.
func (p *pcdReader) pick() error {
	find := func(names ...string) *pcdField {
		for i := range p.head.fields {
			if f := &p.head.fields[i]; f.isKnown && slices.Contains(names, strings.ToLower(f.name)) {
				return f
			}
		}
		return nil
	}
	p.place = [3]*pcdField{find("x"), find("y"), find("z")}
	if p.place[0] == nil || p.place[1] == nil || p.place[2] == nil {
		return broken("the PCD file has no fields x, y and z of a type that can be read, only %s", clip(strings.Join(p.head.names, " ")))
	}
	p.turn = [3]*pcdField{find("normal_x", "nx"), find("normal_y", "ny"), find("normal_z", "nz")}
	if p.turn[0] == nil || p.turn[1] == nil || p.turn[2] == nil {
		p.turn = [3]*pcdField{}
	}
	p.shine, p.tint = find("intensity", "i"), find("rgb", "rgba")
	if p.tint != nil && p.tint.size != 4 {
		p.tint = nil
	}
	return nil
}
