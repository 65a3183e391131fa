package e57

import (
	"bytes"
	"errors"
	"io"
	"math"
	"testing"
)

// benchRecords is small enough for all files to stay in memory.
const benchRecords = 2_000_000

func place(kind Kind, width uint) []Field {
	var fields []Field
	for _, name := range []string{"cartesianX", "cartesianY", "cartesianZ"} {
		fields = append(fields, Field{Name: name, Kind: kind, Max: int64(uint64(1)<<width - 1), Scale: 1e-6})
	}
	return fields
}

// wave fills all columns with numbers that every field here can hold.
func wave(first int64, columns [][]float64) error {
	for k, c := range columns {
		for i := range c {
			c[i] = 0.05 + 0.05*math.Sin(float64(first+int64(i))*float64(k+1)/1000)
		}
	}
	return nil
}

// BenchmarkPoints reads records of several kinds from memory, checksums included.
func BenchmarkPoints(b *testing.B) {
	spherical := place(Double, 0)
	spherical[0].Name, spherical[1].Name, spherical[2].Name = "sphericalRange", "sphericalAzimuth", "sphericalElevation"
	bytesOf := func(name string) Field { return Field{Name: name, Max: 255} }
	all := append(place(Scaled, 19), Field{Name: "intensity", Kind: Single}, bytesOf("colorRed"), bytesOf("colorGreen"), bytesOf("colorBlue"),
		Field{Name: "cartesianInvalidState", Max: 2}, Field{Name: "rowIndex", Max: 4095}, Field{Name: "columnIndex", Max: 8191})
	for _, c := range []struct {
		name   string
		fields []Field
		want   Want
	}{
		{"scaled of 19 bits", place(Scaled, 19), everything},
		{"scaled of 32 bits", place(Scaled, 32), everything},
		{"scaled of 62 bits", place(Scaled, 62), everything},
		{"single", place(Single, 0), everything},
		{"double", place(Double, 0), everything},
		{"spherical", spherical, everything},
		{"all columns", all, everything},
		{"all columns, places wanted", all, Want{}},
	} {
		b.Run(c.name, func(b *testing.B) {
			raw := mustWrite(b, Header{}, Output{Scan: Scan{Records: benchRecords, Fields: c.fields}, Fill: wave})
			b.SetBytes(int64(len(raw)))
			b.ReportAllocs()
			for b.Loop() {
				readBench(b, raw, c.want)
			}
			b.ReportMetric(float64(b.N)*benchRecords/b.Elapsed().Seconds()/1e6, "Mpoints/s")
		})
	}
}

func readBench(b *testing.B, raw []byte, w Want) {
	f, err := Open(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		b.Fatal(err)
	}
	p, err := f.Points(0, w)
	if err != nil {
		b.Fatal(err)
	}
	var batch Batch
	n := 0
	for err = p.Next(&batch); err == nil; err = p.Next(&batch) {
		n += len(batch.X)
	}
	if !errors.Is(err, io.EOF) || n != benchRecords {
		b.Fatal(n, err)
	}
}

func BenchmarkWrite(b *testing.B) {
	o := Output{Scan: Scan{Records: benchRecords, Fields: place(Scaled, 19)}, Fill: func(int64, [][]float64) error { return nil }}
	b.ReportAllocs()
	for b.Loop() {
		if err := Write(io.Discard, Header{}, []Output{o}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)*benchRecords/b.Elapsed().Seconds()/1e6, "Mpoints/s")
}
