package laz

import (
	"encoding/binary"
	"fmt"
	"slices"
)

// UserID and RecordID name the variable-length record of a LAS file that
// describes its compression.
const (
	UserID   = "laszip encoded"
	RecordID = 22204
)

// kind is the kind of an item, as numbered in the file.
type kind uint16

const (
	kindByte     kind = 0
	kindPoint10  kind = 6
	kindTime11   kind = 7
	kindRGB12    kind = 8
	kindWave13   kind = 9
	kindPoint14  kind = 10
	kindRGB14    kind = 11
	kindRGBNIR14 kind = 12
	kindWave14   kind = 13
	kindByte14   kind = 14
)

// item is one part of a record: some of its bytes and the way they are coded.
type item struct {
	kind    kind
	size    int
	version int
}

// The arrangements of compressed points.
const (
	arrangedWhole   = 1 // one run over the whole file
	arrangedChunks  = 2 // chunks of points
	arrangedLayers  = 3 // chunks of layers of fields
	variableChunk   = 1<<32 - 1
	schemeBytes     = 34 // without the items
	itemBytes       = 6
	mostExtraBytes  = 4096 // real files have some dozen; each costs a model of 1 kB
	mostRecordBytes = 67 + mostExtraBytes
)

// Scheme says how the points of a file are compressed.
type Scheme struct {
	arrangement int
	chunkPoints int64 // points a chunk, or variableChunk
	items       []item
}

// ParseScheme reads the content of the record UserID, RecordID. Whatever this
// package cannot decode is refused here, with a sentence.
func ParseScheme(raw []byte) (Scheme, error) {
	if len(raw) < schemeBytes {
		return Scheme{}, damaged("the description of the compression has %d bytes, not %d", len(raw), schemeBytes)
	}
	s := Scheme{
		arrangement: int(binary.LittleEndian.Uint16(raw)),
		chunkPoints: int64(binary.LittleEndian.Uint32(raw[12:])),
	}
	if coder := binary.LittleEndian.Uint16(raw[2:]); coder != 0 {
		return Scheme{}, damaged("its points are compressed by coder %d, only coder 0 is known", coder)
	}
	if s.arrangement < arrangedWhole || s.arrangement > arrangedLayers {
		return Scheme{}, damaged("its points are compressed by method %d, only 1, 2 and 3 are known", s.arrangement)
	}
	if s.chunkPoints == 0 && s.arrangement != arrangedWhole {
		return Scheme{}, damaged("its chunks are said to hold no points")
	}
	count := int(binary.LittleEndian.Uint16(raw[32:]))
	if len(raw) < schemeBytes+count*itemBytes {
		return Scheme{}, damaged("the description of the compression names %d items and breaks off", count)
	}
	for i := range count {
		b := raw[schemeBytes+i*itemBytes:]
		s.items = append(s.items, item{
			kind:    kind(binary.LittleEndian.Uint16(b)),
			size:    int(binary.LittleEndian.Uint16(b[2:])),
			version: int(binary.LittleEndian.Uint16(b[4:])),
		})
	}
	return s, s.validate()
}

// validate accepts the sequences of items that the point formats have: the point
// first, then time, colour, wave packet and extra bytes, each at most once.
func (s *Scheme) validate() error {
	order := []kind{kindPoint10, kindTime11, kindRGB12, kindWave13, kindByte}
	if s.arrangement == arrangedLayers {
		order = []kind{kindPoint14, kindRGB14, kindRGBNIR14, kindWave14, kindByte14}
	}
	if len(s.items) == 0 || s.items[0].kind != order[0] {
		return damaged("the compressed points do not begin with a kind of point that fits their method")
	}
	for _, it := range s.items {
		for len(order) > 0 && order[0] != it.kind {
			order = order[1:]
		}
		if len(order) == 0 {
			return damaged("an item of kind %d is not known at its place in a compressed point", it.kind)
		}
		order = order[1:]
		if err := it.validate(); err != nil {
			return err
		}
	}
	return nil
}

func (it item) validate() error {
	size, versions := it.size, []int{2}
	switch it.kind {
	case kindByte:
		size = min(max(size, 1), mostExtraBytes)
	case kindByte14:
		size, versions = min(max(size, 1), mostExtraBytes), []int{3, 4}
	case kindPoint10:
		size = 20
	case kindTime11:
		size = 8
	case kindRGB12:
		size = 6
	case kindWave13:
		size, versions = waveSize, []int{1}
	case kindPoint14:
		size, versions = 30, []int{3, 4}
	case kindRGB14:
		size, versions = 6, []int{3, 4}
	case kindRGBNIR14:
		size, versions = 8, []int{3, 4}
	case kindWave14:
		size, versions = waveSize, []int{3, 4}
	}
	if it.size != size {
		return damaged("an item of kind %d has %d bytes, which is not read", it.kind, it.size)
	}
	if slices.Contains(versions, it.version) {
		return nil
	}
	return fmt.Errorf("%w (version %d of item kind %d)", errVersion, it.version, it.kind)
}

// RecordBytes returns the length of a decoded record.
func (s *Scheme) RecordBytes() int {
	n := 0
	for _, it := range s.items {
		n += it.size
	}
	return n
}

// Check reports whether the compressed records are those of a LAS point format,
// 0 to 10, with the record length that the header gives.
func (s *Scheme) Check(format, recordBytes int) error {
	want := [...][]kind{
		{kindPoint10}, {kindPoint10, kindTime11}, {kindPoint10, kindRGB12}, {kindPoint10, kindTime11, kindRGB12},
		{kindPoint10, kindTime11, kindWave13}, {kindPoint10, kindTime11, kindRGB12, kindWave13},
		{kindPoint14}, {kindPoint14, kindRGB14}, {kindPoint14, kindRGBNIR14},
		{kindPoint14, kindWave14}, {kindPoint14, kindRGBNIR14, kindWave14},
	}
	if format < 0 || format >= len(want) {
		return damaged("the LAS point format %d is not known", format)
	}
	items := s.items
	if last := items[len(items)-1].kind; last == kindByte || last == kindByte14 {
		items = items[:len(items)-1]
	}
	fits := len(items) == len(want[format])
	for i := 0; fits && i < len(items); i++ {
		fits = items[i].kind == want[format][i]
	}
	if !fits {
		return damaged("its compressed points are not of the LAS point format %d that the header gives", format)
	}
	if n := s.RecordBytes(); n != recordBytes {
		return damaged("its compressed points have %d bytes each, the header says %d", n, recordBytes)
	}
	return nil
}
