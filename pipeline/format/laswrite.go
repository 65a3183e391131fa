package format

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// WriteLAS writes the points as LAS 1.2, point format 0: places and, where the
// cloud has them, intensities. Normals have no place in LAS and are left out.
// The unit goes into a key of its own (see lasUnits), which there is for
// millimetres, centimetres, metres and feet; inches are refused. The same cloud
// and options give the same bytes.
//
// LAS keeps whole numbers of 32 bits, times a scale, plus an offset. The offset
// is the cloud's origin. The scale is the largest power of ten that is not above
// 2⁻²⁴ of the largest coordinate relative to it: rounding to that step moves a
// coordinate by at most half of what float32 has already rounded the largest
// one, and the whole numbers stay below 10 · 2²⁴, far from 2³¹.
//
// Intensities that are whole numbers from 0 to 65535 stay as they are; others
// are stretched, the least to 0 and the greatest to 65535, as LAS asks for the
// whole range; what is not a number becomes 0.
//
// Source: ASPRS, LAS Specification 1.4 - R15 (2019), §2.4 and §2.5, of which
// version 1.2 is a part.
func WriteLAS(w io.Writer, c *scan.Cloud, o WriteOptions) error {
	if int64(c.Len()) > math.MaxUint32 {
		return fmt.Errorf("write LAS: %d points are more than version 1.2 can count", c.Len())
	}
	records, err := lasRecordsBefore(o)
	if err != nil {
		return err
	}
	l := lasWriter{step: lasStep(c, o.unit().MM()), perMM: 1 / o.unit().MM(), offset: c.Origin.Scale(1 / o.unit().MM()), shine: lasShine(c.Intensity)}
	if !l.offset.IsFinite() || !(l.step > 0) || math.IsInf(l.step, 0) {
		return fmt.Errorf("write LAS: the cloud has a coordinate that is not a number")
	}
	if _, err := w.Write(l.header(c, records)); err != nil {
		return err
	}
	return l.points(w, c)
}

// lasWriter turns coordinates into whole steps.
type lasWriter struct {
	step   float64 // in the file's units
	perMM  float64 // the file's units
	offset geom.Vec
	shine  func(float32) uint16
}

// lasStep is the scale for a cloud, in units of mm millimetres; see WriteLAS. A
// cloud without extent gets a millionth.
func lasStep(c *scan.Cloud, mm float64) float64 {
	var far float64
	for _, axis := range [][]float32{c.X, c.Y, c.Z} {
		for _, v := range axis {
			if !(math.Abs(float64(v)) <= math.MaxFloat32) {
				return math.NaN()
			}
			far = max(far, math.Abs(float64(v)))
		}
	}
	if far == 0 {
		return 1e-6
	}
	return math.Pow10(int(math.Floor(math.Log10(far / mm * 0x1p-24))))
}

func (l *lasWriter) whole(v float32) int32 {
	return int32(math.Round(float64(v) * l.perMM / l.step))
}

// lasShine returns how intensities become 16 bits.
func lasShine(v []float32) func(float32) uint16 {
	least, most, isWhole := math.Inf(1), math.Inf(-1), true
	for _, x := range v {
		if s := float64(x); !math.IsNaN(s) && !math.IsInf(s, 0) {
			least, most = min(least, s), max(most, s)
			isWhole = isWhole && s == math.Trunc(s)
		}
	}
	factor := 1.0
	if !isWhole || least < 0 || most > math.MaxUint16 {
		factor = math.MaxUint16 / (most - least)
	} else {
		least = 0
	}
	return func(x float32) uint16 {
		s := (float64(x) - least) * factor
		if !(s >= 0 && s <= math.MaxUint16) {
			return 0
		}
		return uint16(math.Round(s))
	}
}

// lasCode is the EPSG code of a unit of length.
func lasCode(u length.Unit) (uint16, error) {
	codes := map[length.Unit]uint16{length.Metre: 9001, length.Foot: 9002, length.Millimetre: 1025, length.Centimetre: 1033}
	code, ok := codes[u]
	if !ok {
		return 0, fmt.Errorf("write LAS: the format has no code for the unit %q; choose m, ft, mm or cm", string(u))
	}
	return code, nil
}

// lasRecordsBefore are the variable-length records: the keys that name the unit
// of a projected system of the user's own (OGC 19-008r4), and the comments as the
// text that describes the file.
func lasRecordsBefore(o WriteOptions) ([][]byte, error) {
	code, err := lasCode(o.unit())
	if err != nil {
		return nil, err
	}
	keys := [][2]uint16{{1024, 1}, {3072, 32767}, {3076, code}, {4099, code}}
	raw := []byte{1, 0, 1, 0, 0, 0, byte(len(keys)), 0}
	for _, k := range keys {
		for _, v := range []uint16{k[0], 0, 1, k[1]} {
			raw = binary.LittleEndian.AppendUint16(raw, v)
		}
	}
	records := [][]byte{lasRecord("LASF_Projection", lasKeys, raw)}
	if text := strings.Join(o.Comments, "\n"); text != "" {
		records = append(records, lasRecord("LASF_Spec", 3, []byte(text[:min(len(text), math.MaxUint16)])))
	}
	return records, nil
}

func lasRecord(user string, id uint16, content []byte) []byte {
	raw := make([]byte, lasVLRHead, lasVLRHead+len(content))
	copy(raw[2:18], user)
	binary.LittleEndian.PutUint16(raw[18:], id)
	binary.LittleEndian.PutUint16(raw[20:], uint16(len(content)))
	return append(raw, content...)
}

func (l *lasWriter) header(c *scan.Cloud, records [][]byte) []byte {
	raw := make([]byte, lasHead)
	le := binary.LittleEndian
	copy(raw, "LASF")
	raw[24], raw[25] = 1, 2
	copy(raw[26:58], "OTHER")
	copy(raw[58:90], "Trammel")
	le.PutUint16(raw[94:], lasHead)
	le.PutUint32(raw[100:], uint32(len(records)))
	le.PutUint16(raw[105:], uint16(lasLayouts[0].record))
	le.PutUint32(raw[107:], uint32(c.Len()))
	le.PutUint32(raw[111:], uint32(c.Len())) // all are first returns
	for k, axis := range [][]float32{c.X, c.Y, c.Z} {
		le.PutUint64(raw[131+8*k:], math.Float64bits(l.step))
		offset := l.offset.At(k)
		le.PutUint64(raw[155+8*k:], math.Float64bits(offset))
		if len(axis) == 0 {
			continue
		}
		lo, hi := axis[0], axis[0]
		for _, v := range axis {
			lo, hi = min(lo, v), max(hi, v)
		}
		le.PutUint64(raw[179+16*k:], math.Float64bits(float64(float64(l.whole(hi))*l.step)+offset))
		le.PutUint64(raw[187+16*k:], math.Float64bits(float64(float64(l.whole(lo))*l.step)+offset))
	}
	for _, r := range records {
		raw = append(raw, r...)
	}
	le.PutUint32(raw[96:], uint32(len(raw)))
	return raw
}

func (l *lasWriter) points(w io.Writer, c *scan.Cloud) error {
	const oneOfOne = 1 | 1<<3 // the first return of a pulse with one
	hasIntensity := len(c.Intensity) == c.Len()
	out := bufio.NewWriterSize(w, writeBuffer)
	for i := range c.X {
		raw := out.AvailableBuffer()
		for _, v := range [3]float32{c.X[i], c.Y[i], c.Z[i]} {
			raw = binary.LittleEndian.AppendUint32(raw, uint32(l.whole(v)))
		}
		var shine uint16
		if hasIntensity {
			shine = l.shine(c.Intensity[i])
		}
		raw = binary.LittleEndian.AppendUint16(raw, shine)
		raw = append(raw, oneOfOne, 0, 0, 0, 0, 0)
		if _, err := out.Write(raw); err != nil {
			return err
		}
	}
	return out.Flush()
}
