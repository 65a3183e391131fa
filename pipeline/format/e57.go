package format

import (
	"errors"
	"fmt"
	"io"
	"math"

	"trammel/pipeline/format/e57"
	"trammel/pipeline/length"
)

// e57Reader gives the scans of an E57 file one after another, or a chosen one.
type e57Reader struct {
	file      *e57.File
	about     *About
	want      *wants
	scan      int // the one being read
	end       int // the one to stop at
	intensity bool
	grid      bool
	points    *e57.Points
	batch     e57.Batch // its columns are those of the caller's batch
}

func newE57(r *Reader) (decoder, error) {
	content, size, err := r.random()
	if err != nil {
		return nil, err
	}
	f, err := e57.Open(content, size)
	if err != nil {
		return nil, err
	}
	a := &r.about
	a.Encoding, a.Units, a.Points, a.Triangles = "binary little-endian", length.Metre, 0, 0
	for i := range f.Scans {
		s := scanAbout(&f.Scans[i])
		a.Points += min(s.Points, math.MaxInt64-a.Points)
		a.Scans = append(a.Scans, s)
	}
	d := &e57Reader{file: f, about: a, want: &r.want, end: len(f.Scans)}
	d.agree()
	return d, nil
}

func scanAbout(s *e57.Scan) ScanAbout {
	a := ScanAbout{Name: s.Name, Points: s.Records, Pose: s.Pose, IntensityMin: s.Intensity.Min, IntensityMax: s.Intensity.Max}
	if s.Row.Max > 0 || s.Column.Max > 0 {
		a.Rows, a.Columns = gridSize(s.Row), gridSize(s.Column)
	}
	return a
}

// gridSize returns how many places a grid has one way; E57 counts them from 0.
func gridSize(l e57.Limits) int {
	if !(l.Max >= 0 && l.Max < math.MaxInt32) {
		return 0
	}
	return int(l.Max) + 1
}

// agree settles which columns the scans to be read have in common: all that is
// read has a column, or nothing has it.
func (d *e57Reader) agree() {
	d.intensity, d.grid = true, true
	for i := d.scan; i < d.end; i++ {
		if s := &d.file.Scans[i]; s.Records > 0 {
			d.intensity = d.intensity && s.Has("intensity")
			d.grid = d.grid && s.Has("rowIndex", "columnIndex")
		}
	}
}

// choose also lets the About announce the points of that scan alone, since room
// is made for as many as it announces.
func (d *e57Reader) choose(k int) {
	if k < len(d.file.Scans) {
		d.scan, d.end = k, k+1
		d.about.Points = d.file.Scans[k].Records
		d.agree()
	}
}

func (d *e57Reader) next(b *Batch) error {
	for d.scan < d.end {
		err := d.portion(b)
		if err == nil {
			return nil
		}
		if !errors.Is(err, io.EOF) {
			return fmt.Errorf("scan %d: %w", d.scan+1, err)
		}
		d.points = nil
		d.scan++
	}
	return io.EOF
}

func (d *e57Reader) portion(b *Batch) (err error) {
	if d.points == nil {
		d.points, err = d.file.Points(d.scan, e57.Want{Intensity: d.intensity, Colour: d.want.colour, Grid: d.grid})
		if err != nil {
			return err
		}
	}
	p := &d.batch
	p.X, p.Y, p.Z, p.Intensity, p.RGB, p.Row, p.Column = b.X, b.Y, b.Z, b.Intensity, b.RGB, b.Row, b.Column
	if err := d.points.Next(p); err != nil {
		return err
	}
	b.X, b.Y, b.Z, b.Intensity, b.RGB = p.X, p.Y, p.Z, p.Intensity, p.RGB
	b.Row, b.Column, b.Blank, b.Scan = p.Row, p.Column, p.Blank, d.scan
	return nil
}
