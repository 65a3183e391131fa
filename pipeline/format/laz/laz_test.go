package laz

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
)

const samples = "../../../../shared/data/las"

type sample struct {
	raw    []byte
	scheme Scheme
	place  Place
}

func loadSample(t testing.TB, name string) sample {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(samples, name))
	if err != nil {
		t.Skip("the sample files are not here: ", err)
	}
	s := sample{raw: raw}
	s.place = Place{Size: int64(len(raw)), Start: int64(binary.LittleEndian.Uint32(raw[96:])), Points: int64(binary.LittleEndian.Uint32(raw[107:]))}
	if raw[25] >= 4 {
		s.place.Points = int64(binary.LittleEndian.Uint64(raw[247:]))
	}
	at := int(binary.LittleEndian.Uint16(raw[94:]))
	for range binary.LittleEndian.Uint32(raw[100:]) {
		n := int(binary.LittleEndian.Uint16(raw[at+20:]))
		if binary.LittleEndian.Uint16(raw[at+18:]) == RecordID {
			s.scheme, err = ParseScheme(raw[at+54 : at+54+n])
			if err != nil {
				t.Fatal(err)
			}
		}
		at += 54 + n
	}
	return s
}

func decodeAll(f *File) ([]byte, error) {
	var all []byte
	d := f.Decoder(All)
	for i := range f.Chunks() {
		if err := d.Begin(i); err != nil {
			return all, err
		}
		buf := make([]byte, 100*f.RecordBytes())
		for {
			n, err := d.Next(buf)
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				return all, err
			}
			all = append(all, buf[:n*f.RecordBytes()]...)
		}
	}
	return all, nil
}

func TestTwins(t *testing.T) {
	for _, name := range []string{"point10", "pdrf6-1.4"} {
		t.Run(name, func(t *testing.T) {
			s := loadSample(t, name+".laz")
			f, err := Open(bytes.NewReader(s.raw), s.place, s.scheme)
			if err != nil {
				t.Fatal(err)
			}
			got, err := decodeAll(f)
			if err != nil {
				t.Error(err)
			}
			las := loadSample(t, name+".las")
			want := las.raw[las.place.Start:]
			n := f.RecordBytes()
			for i := 0; i+n <= len(got); i += n {
				if !bytes.Equal(got[i:i+n], want[i:i+n]) {
					t.Fatalf("record %d:\ngot  % x\nwant % x", i/n, got[i:i+n], want[i:i+n])
				}
			}
			if len(got) != n*int(s.place.Points) {
				t.Fatalf("got %d bytes", len(got))
			}
		})
	}
}

// TestSamplesAreUsedUp decodes files without a twin, one of them with wave
// packets: every chunk must end where its bytes do, after as many points as the
// header promises.
func TestSamplesAreUsedUp(t *testing.T) {
	for _, name := range []string{"plane", "point-time-color", "pdrf4-1.3"} {
		s := loadSample(t, name+".laz")
		f, err := Open(bytes.NewReader(s.raw), s.place, s.scheme)
		if err != nil {
			t.Fatal(err)
		}
		got, err := decodeAll(f)
		if err != nil || int64(len(got)) != s.place.Points*int64(f.RecordBytes()) {
			t.Errorf("%s: %d bytes of records, %v", name, len(got), err)
		}
	}
}

// BenchmarkDecode decodes one chunk again and again on one core: two of measured
// points, and one of random records, which is the worst case.
func BenchmarkDecode(b *testing.B) {
	run := func(name string, f *File, want Fields) {
		b.Run(name, func(b *testing.B) {
			d := f.Decoder(want)
			buf := make([]byte, 1000*f.RecordBytes())
			b.ReportAllocs()
			for b.Loop() {
				if err := d.Begin(0); err != nil {
					b.Fatal(err)
				}
				for {
					if _, err := d.Next(buf); err == io.EOF { //nolint:errorlint // Next returns the bare io.EOF
						break
					} else if err != nil {
						b.Fatal(err)
					}
				}
			}
			b.ReportMetric(float64(f.Points(0))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpoints/s")
		})
	}
	for _, name := range []string{"plane", "point10"} {
		s := loadSample(b, name+".laz")
		f, err := Open(bytes.NewReader(s.raw), s.place, s.scheme)
		if err != nil {
			b.Fatal(err)
		}
		run(name, f, All)
	}
	s := schemeOf(b, 7, 0, 3)
	c, _ := randomChunk(b, &s, 1000, 3)
	raw := fileOf([][]byte{c}, []int{1000}, false)
	f, err := Open(bytes.NewReader(raw), Place{Size: int64(len(raw)), Start: 100, Points: 1000}, s)
	if err != nil {
		b.Fatal(err)
	}
	run("random-7", f, All)
	run("random-7-places", f, Places)
}
