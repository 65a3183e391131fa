package e57

import (
	"fmt"
	"math"

	"trammel/pipeline/geom"
)

// Columns are the points of a scan in memory. All slices but the first three are
// optional; those that are there have a value for each point, RGB three.
type Columns struct {
	X, Y, Z     []float64 // metres, in the scan's own frame
	Intensity   []float32
	RGB         []uint8
	State       []uint8 // 0 a point, 1 a direction without a return, 2 nothing
	Row, Column []int32 // counted from 0
}

// Output returns a scan of these points, ready to be written. Coordinates are
// stored as kind says, Scaled ones in steps of step metres. s gives its names,
// pose and limits; fields, count, bounds and the grid's size are filled in here.
// The columns are read while the file is written and must not change until then.
func (c *Columns) Output(s Scan, kind Kind, step float64) (Output, error) {
	box, span := c.boxes()
	s.Records, s.Bounds, s.Fields = int64(len(c.X)), box, nil
	low, high := span.Min.Array(), span.Max.Array()
	for i, name := range []string{"cartesianX", "cartesianY", "cartesianZ"} {
		f := Field{Name: name, Kind: kind, Scale: step}
		if kind == Scaled && !span.IsEmpty() {
			lo, hi := math.Round(low[i]/step), math.Round(high[i]/step)
			if !(step > 0 && math.Abs(lo) < 1<<53 && math.Abs(hi) < 1<<53) {
				return Output{}, fmt.Errorf("%s of %g to %g m in steps of %g m: %w", name, low[i], high[i], step, errUnwritable)
			}
			f.Min, f.Max = int64(lo), int64(hi)
		}
		s.Fields = append(s.Fields, f)
	}
	if c.Intensity != nil {
		s.Fields = append(s.Fields, Field{Name: "intensity", Kind: Single, Low: s.Intensity.Min, High: s.Intensity.Max})
	}
	if c.RGB != nil {
		full := Limits{Max: math.MaxUint8}
		s.Red, s.Green, s.Blue = full, full, full
		for _, name := range []string{"colorRed", "colorGreen", "colorBlue"} {
			s.Fields = append(s.Fields, Field{Name: name, Max: math.MaxUint8})
		}
	}
	if c.State != nil {
		s.Fields = append(s.Fields, Field{Name: "cartesianInvalidState", Max: 2})
	}
	if c.Row != nil {
		s.Row = addIndex(&s, "rowIndex", c.Row)
	}
	if c.Column != nil {
		s.Column = addIndex(&s, "columnIndex", c.Column)
	}
	return Output{Scan: s, Fill: func(first int64, columns [][]float64) error {
		c.fill(int(first), columns, span.Min)
		return nil
	}}, nil
}

func addIndex(s *Scan, name string, v []int32) Limits {
	f := Field{Name: name}
	for i, x := range v {
		if i == 0 {
			f.Min, f.Max = int64(x), int64(x)
		}
		f.Min, f.Max = min(f.Min, int64(x)), max(f.Max, int64(x))
	}
	s.Fields = append(s.Fields, f)
	return Limits{Min: float64(f.Min), Max: float64(f.Max)}
}

// boxes returns the box of the points that are there, and that of all records
// with finite coordinates: a direction without a return may still be kept.
func (c *Columns) boxes() (points, all geom.Box) {
	points, all = geom.EmptyBox(), geom.EmptyBox()
	for i := range c.X {
		p := geom.Vec{X: c.X[i], Y: c.Y[i], Z: c.Z[i]}
		if !p.IsFinite() {
			continue
		}
		all = all.Extend(p)
		if c.State == nil || c.State[i] == 0 {
			points = points.Extend(p)
		}
	}
	return points, all
}

// fill is the Source of Output, in the same order of fields. Where there is no
// return and no direction either, blank is written.
func (c *Columns) fill(first int, columns [][]float64, blank geom.Vec) {
	end := first + len(columns[0])
	copy(columns[0], c.X[first:end])
	copy(columns[1], c.Y[first:end])
	copy(columns[2], c.Z[first:end])
	if c.State != nil {
		for k, state := range c.State[first:end] {
			if p := (geom.Vec{X: columns[0][k], Y: columns[1][k], Z: columns[2][k]}); state != 0 && !p.IsFinite() {
				columns[0][k], columns[1][k], columns[2][k] = blank.X, blank.Y, blank.Z
			}
		}
	}
	columns = columns[3:]
	if c.Intensity != nil {
		columns = widen(columns, c.Intensity[first:end])
	}
	if c.RGB != nil {
		for channel, column := range columns[:3] {
			for k := range column {
				column[k] = float64(c.RGB[3*(first+k)+channel])
			}
		}
		columns = columns[3:]
	}
	if c.State != nil {
		columns = widen(columns, c.State[first:end])
	}
	if c.Row != nil {
		columns = widen(columns, c.Row[first:end])
	}
	if c.Column != nil {
		widen(columns, c.Column[first:end])
	}
}

// widen fills the first of the columns and returns the others.
func widen[T float32 | uint8 | int32](columns [][]float64, v []T) [][]float64 {
	for i, x := range v {
		columns[0][i] = float64(x)
	}
	return columns[1:]
}
