package e57

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"math/bits"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestChecksumValues holds the checksum to the values of CV-8.7: the usual check
// "123456789", RFC 3720 section B.4, and pages of the format.
func TestChecksumValues(t *testing.T) {
	rising := make([]byte, 32)
	for i := range rising {
		rising[i] = byte(i)
	}
	page := make([]byte, payload)
	page[1], page[2] = 1, 2
	for _, c := range []struct {
		name string
		b    []byte
		want uint32
	}{
		{"digits", []byte("123456789"), 0xE3069283},
		{"nothing", nil, 0},
		{"32 zeros", make([]byte, 32), 0x8A9136AA},
		{"32 ones", bytes.Repeat([]byte{0xff}, 32), 0x62A8AB43},
		{"0 to 31", rising, 0x46DD794E},
		{"page of zeros", make([]byte, payload), 0xB641CDE2},
		{"page of 0 1 2 0 …", page, 0x9C45D0E7},
		{"page of ones", bytes.Repeat([]byte{1}, payload), 0x19559023},
	} {
		if got := checksum(c.b); got != c.want {
			t.Errorf("%s: got %08x, want %08x", c.name, got, c.want)
		}
	}
	sealed := seal(page[:4])
	if got := sealed[payload:]; !bytes.Equal(got, []byte{0x9c, 0x45, 0xd0, 0xe7}) {
		t.Errorf("the checksum is stored as % x, want 9c 45 d0 e7", got)
	}
}

// TestOffsets holds the offsets to the example of CV-8.6.
func TestOffsets(t *testing.T) {
	f := File{pages: 1000}
	if got, err := f.logical(740736); got != 737844 || err != nil {
		t.Errorf("got %d, %v, want 737844", got, err)
	}
	if got := physical(737844); got != 740736 {
		t.Errorf("got %d, want 740736", got)
	}
	for _, bad := range []uint64{1020, 1023, 1000 * 1024, 1 << 63, math.MaxUint64} {
		if _, err := f.logical(bad); err == nil {
			t.Errorf("offset %d was taken", bad)
		}
	}
}

// bitString packs values bit by bit, the slow and obvious way.
type bitString struct {
	b []byte
	n int
}

func (s *bitString) add(v uint64, width uint) {
	for k := range width {
		if s.n%8 == 0 {
			s.b = append(s.b, 0)
		}
		s.b[s.n/8] |= byte(v>>k&1) << (s.n % 8)
		s.n++
	}
}

// column is a field with its values, drawn at random.
type column struct {
	field  Field
	xml    string
	want   []float64
	stream []byte
}

func drawColumn(t *rapid.T, name string, n int) column {
	c := column{field: Field{Name: name, Scale: 1}}
	var s bitString
	switch kind := rapid.SampledFrom([]Kind{Integer, Scaled, Single, Double}).Draw(t, "kind"); kind {
	case Integer, Scaled:
		c.drawWhole(t, kind)
		for range n {
			raw := rapid.Uint64Range(0, uint64(c.field.Max)-uint64(c.field.Min)).Draw(t, "raw")
			s.add(raw, uint(bits.Len64(uint64(c.field.Max)-uint64(c.field.Min))))
			c.want = append(c.want, float64(float64(int64(raw+uint64(c.field.Min)))*c.field.Scale)+c.field.Offset)
		}
	case Single:
		c.xml = singles(name)
		for range n {
			v := rapid.Float32().Draw(t, "v")
			s.add(uint64(math.Float32bits(v)), 32)
			c.want = append(c.want, float64(v))
		}
	default:
		c.xml = fmt.Sprintf(`<%s type="Float"/>`, name)
		for range n {
			v := rapid.Float64().Draw(t, "v")
			s.add(math.Float64bits(v), 64)
			c.want = append(c.want, v)
		}
	}
	c.stream = s.b
	if len(s.b) > 0 { // some writers flush a whole word
		c.stream = append(c.stream, make([]byte, rapid.IntRange(0, 7).Draw(t, "surplus"))...)
	}
	return c
}

// drawWhole draws the range of a whole-numbered field, every width from 0 to 64
// as likely as any other.
func (c *column) drawWhole(t *rapid.T, kind Kind) {
	width := rapid.UintRange(0, 64).Draw(t, "width")
	span := uint64(0)
	if width > 0 {
		span = rapid.Uint64Range(1<<(width-1), uint64(math.MaxUint64)>>(64-width)).Draw(t, "span")
	}
	// A minimum from which the maximum is still an int64.
	low := rapid.Uint64Range(0, math.MaxUint64-span).Draw(t, "low")
	c.field.Kind, c.field.Min = kind, int64(low^1<<63)
	c.field.Max = int64(uint64(c.field.Min) + span)
	extra := ""
	if kind == Scaled {
		c.field.Scale = rapid.Float64Range(1e-6, 10).Draw(t, "scale")
		c.field.Offset = rapid.Float64Range(-1e6, 1e6).Draw(t, "offset")
		extra = fmt.Sprintf(` scale="%s" offset="%s"`, digits(c.field.Scale), digits(c.field.Offset))
	}
	c.xml = fmt.Sprintf(`<%s type="%s" minimum="%d" maximum="%d"%s/>`, c.field.Name,
		map[Kind]string{Integer: "Integer", Scaled: "ScaledInteger"}[kind], c.field.Min, c.field.Max, extra)
}

// drawPackets cuts streams anywhere, each on its own, into packets, with packets
// in between that are to be passed over.
func drawPackets(t *rapid.T, columns []column) [][]byte {
	rest := make([][]byte, len(columns))
	for i, c := range columns {
		rest[i] = c.stream
	}
	var packets [][]byte
	for left := true; left; {
		left = false
		switch rapid.IntRange(0, 5).Draw(t, "between") {
		case 0:
			packets = append(packets, otherPacket(packetIndex, rapid.IntRange(12, 60).Draw(t, "size")))
		case 1:
			packets = append(packets, otherPacket(packetIgnored, rapid.IntRange(0, 2000).Draw(t, "size")))
		case 2:
			packets = append(packets, []byte{packetData, 0, emptyPacket - 1, 0, 0, 0, 0, 0})
		}
		pieces := make([][]byte, len(rest))
		for i := range rest {
			n := min(len(rest[i]), rapid.SampledFrom([]int{0, 1, 3, 50, 400}).Draw(t, "piece"))
			pieces[i], rest[i] = rest[i][:n], rest[i][n:]
			left = left || len(rest[i]) > 0
		}
		packets = append(packets, dataPacket(pieces...))
	}
	return packets
}

// TestAnyPackets reads records of any kinds and widths whose streams were cut
// into packets anywhere, out of step with each other.
func TestAnyPackets(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "records")
		names := rapid.Permutation([]string{"cartesianX", "cartesianY", "cartesianZ", "intensity", "nor:normalX", "timeStamp"}).Draw(t, "order")
		var columns []column
		var prototype strings.Builder
		at := map[string]int{}
		for i, name := range names {
			columns = append(columns, drawColumn(t, name, n))
			prototype.WriteString(columns[i].xml)
			at[name] = i
		}
		raw := oneScan(n, prototype.String(), drawPackets(t, columns)...)
		_, all, err := readAll(bytes.NewReader(raw), int64(len(raw)))
		if err != nil {
			t.Fatal(err)
		}
		got := &all[0]
		for i := range n {
			for k, v := range []float64{got.X[i], got.Y[i], got.Z[i]} {
				c := columns[at[[]string{"cartesianX", "cartesianY", "cartesianZ"}[k]]]
				if v != c.want[i] {
					t.Fatalf("record %d of %s: got %v, want %v", i, c.xml, v, c.want[i])
				}
			}
			if want := float32(columns[at["intensity"]].want[i]); got.Intensity[i] != want {
				t.Fatalf("record %d of the intensity: got %v, want %v", i, got.Intensity[i], want)
			}
		}
	})
}

// TestWrittenComesBack writes fields of any kind and width in several scans and
// finds every value within half a step.
func TestWrittenComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var scans []Output
		var wants [][]column
		for range rapid.IntRange(1, 4).Draw(t, "scans") {
			n := rapid.IntRange(0, 200).Draw(t, "records")
			var fields []Field
			var columns []column
			var values [][]float64
			for _, name := range []string{"cartesianX", "cartesianY", "cartesianZ"} {
				c := drawColumn(t, name, n)
				fields, columns, values = append(fields, c.field), append(columns, c), append(values, c.want)
				fields[len(fields)-1].Kind = c.field.Kind
				if strings.Contains(c.xml, "Float") { // the column's field has no kind then
					fields[len(fields)-1].Kind = Double
				}
			}
			scans = append(scans, Output{Scan: Scan{Records: int64(n), Fields: fields}, Fill: fillFrom(values)})
			wants = append(wants, columns)
		}
		var b bytes.Buffer
		if err := Write(&b, Header{GUID: "x"}, scans); err != nil {
			t.Fatal(err)
		}
		_, all, err := readAll(bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil {
			t.Fatal(err)
		}
		for k := range all {
			for i := range all[k].X {
				for axis, v := range all[k].at(i).Array() {
					want := wants[k][axis].want[i]
					// Half a step, and what a float64 loses of numbers beyond 2⁵³.
					if math.Abs(v-want) > wants[k][axis].field.Scale/2+math.Abs(want)*1e-15+1e-9 {
						t.Fatalf("scan %d record %d axis %d: got %v, want %v", k, i, axis, v, want)
					}
				}
			}
		}
	})
}

// TestSpherical compares with the definition of CV-8.6: x = r cosε cosα and so on.
func TestSpherical(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.Float64Range(0, 300).Draw(t, "range")
		azimuth := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "azimuth")
		elevation := rapid.Float64Range(-math.Pi/2, math.Pi/2).Draw(t, "elevation")
		x, y, z := []float64{r}, []float64{azimuth}, []float64{elevation}
		toCartesian(x, y, z)
		if d := math.Hypot(math.Hypot(x[0], y[0]), z[0]); math.Abs(d-r) > 1e-12*(1+r) {
			t.Fatalf("the point lies %v away, want %v", d, r)
		}
		if math.Abs(z[0]-r*math.Sin(elevation)) > 1e-12*(1+r) || math.Abs(x[0]-r*math.Cos(elevation)*math.Cos(azimuth)) > 1e-12*(1+r) {
			t.Fatalf("got (%v, %v, %v)", x[0], y[0], z[0])
		}
	})
}

// TestReadAs reads one or two records of odd but lawful files.
func TestReadAs(t *testing.T) {
	one := floats(1)
	number := func(v ...float64) []byte { return floats(v...) }
	for _, c := range []struct {
		name string
		raw  []byte
		want string // points, blanks, intensities, colours, rows
	}{
		{"states as floats", oneScan(4, xyz()+singles("cartesianInvalidState"),
			dataPacket(number(1, 2, 3, 4), number(1, 2, 3, 4), number(1, 2, 3, 4), number(0, 1, 2, 0))),
			"[1 4] 2 [] [] []"},
		{"spherical with states", oneScan(2, singles("sphericalRange", "sphericalAzimuth", "sphericalElevation", "sphericalInvalidState"),
			dataPacket(number(2, 3), number(0, 0), number(0, 0), number(0, 1))),
			"[2] 1 [] [] []"},
		{"cartesian before spherical", oneScan(1, singles("sphericalRange", "sphericalAzimuth", "sphericalElevation")+xyz(),
			dataPacket(one, one, one, number(5), one, one)),
			"[5] 0 [] [] []"},
		{"invalid intensities", oneScan(2, xyz()+singles("intensity")+`<isIntensityInvalid type="Integer" minimum="0" maximum="1"/>`,
			dataPacket(number(1, 2), number(1, 2), number(1, 2), number(7, 8), []byte{2})),
			"[1 2] 0 [7 0] [] []"},
		{"colours as 0 to 1", oneScan(1, xyz()+singles("colorRed", "colorGreen", "colorBlue"),
			dataPacket(one, one, one, number(0), number(0.5), number(1))),
			"[1] 0 [] [0 128 255] []"},
		{"colours as floats to 255", oneScan(1, xyz()+strings.ReplaceAll(singles("colorRed", "colorGreen", "colorBlue"), "single\"", "single\" minimum=\"0\" maximum=\"255\""),
			dataPacket(one, one, one, number(0), number(128), number(255))),
			"[1] 0 [] [0 128 255] []"},
		{"colours of 64 bits", oneScan(1, xyz()+`<colorRed type="Integer"/><colorGreen type="Integer"/><colorBlue type="Integer"/>`,
			dataPacket(one, one, one, append(make([]byte, 7), 0x80), append([]byte{200}, append(make([]byte, 6), 0x80)...), make([]byte, 8))),
			"[1] 0 [] [0 200 0] []"},
		{"colours with limits", withXML(strings.Replace(description(1, xyz()+singles("colorRed", "colorGreen", "colorBlue")), "<points",
			"<colorLimits><colorRedMinimum>10</colorRedMinimum><colorRedMaximum>20</colorRedMaximum><colorGreenMaximum>5</colorGreenMaximum><colorBlueMaximum>255</colorBlueMaximum></colorLimits><points", 1),
			section(dataPacket(one, one, one, number(15), number(9), number(100)))...),
			"[1] 0 [] [128 255 100] []"},
		{"invalid colours", oneScan(2, xyz()+singles("colorRed", "colorGreen", "colorBlue", "isColorInvalid"),
			dataPacket(number(1, 2), number(1, 2), number(1, 2), number(1, 1), number(1, 1), number(1, 1), number(0, 1))),
			"[1 2] 0 [] [255 255 255 0 0 0] []"},
		{"colours of two bytes", oneScan(1, xyz()+strings.NewReplacer("C", "Red").Replace(`<colorC type="Integer" minimum="0" maximum="65535"/>`)+
			`<colorGreen type="Integer" minimum="0" maximum="65535"/><colorBlue type="Integer" minimum="0" maximum="65535"/>`,
			dataPacket(one, one, one, []byte{0xff, 0xff}, []byte{0, 0x80}, []byte{0, 0})),
			"[1] 0 [] [255 128 0] []"},
		{"two colours of three", oneScan(1, xyz()+singles("colorRed", "colorGreen"), dataPacket(one, one, one, one, one)),
			"[1] 0 [] [] []"},
		{"text among the fields", oneScan(1, `<cartesianX type="Float" precision="single"/><x:label type="String"/>`+singles("cartesianY", "cartesianZ"),
			dataPacket(number(9), []byte("\x0ahello"), one, one)),
			"[9] 0 [] [] []"},
		{"a structure among the fields", oneScan(1, `<x:deep type="Structure"><cartesianX type="Integer" minimum="0" maximum="255"/><b type="Float"/></x:deep>`+xyz(),
			dataPacket([]byte{1}, make([]byte, 8), number(9), one, one)),
			"[9] 0 [] [] []"},
		{"constant fields", oneScan(2, `<cartesianX type="Integer" minimum="3" maximum="3"/><cartesianY type="ScaledInteger" minimum="3" maximum="3" scale="2" offset="1"/><cartesianZ type="Integer" minimum="-1" maximum="-1"/>`,
			[]byte{packetData, 0, emptyPacket - 1, 0, 0, 0, 0, 0}),
			"[3 3] 0 [] [] []"},
		{"default scale and offset", oneScan(1, `<cartesianX type="ScaledInteger" minimum="-1" maximum="6"/>`+singles("cartesianY", "cartesianZ"),
			dataPacket([]byte{5}, one, one)),
			"[4] 0 [] [] []"},
		{"full range by default", oneScan(1, `<cartesianX type="Integer"/>`+singles("cartesianY", "cartesianZ"),
			dataPacket([]byte{5, 0, 0, 0, 0, 0, 0, 0x80}, one, one)),
			"[5] 0 [] [] []"},
		{"numbers with exponents", oneScan(1, `<cartesianX type="ScaledInteger" minimum="-1.0000e+001" maximum="2.0000e+002" scale="5.0000e-001"/>`+singles("cartesianY", "cartesianZ"),
			dataPacket([]byte{12}, one, one)),
			"[1] 0 [] [] []"},
		{"rows as floats", oneScan(1, xyz()+singles("rowIndex"), dataPacket(one, one, one, number(12))),
			"[1] 0 [] [] [12]"},
		{"a longer stream than promised", oneScan(1, xyz(), dataPacket(number(1, 2, 3), number(1, 2, 3), number(1, 2, 3))),
			"[1] 0 [] [] []"},
		{"quotes, comments, entities", withXML(strings.ReplaceAll(strings.ReplaceAll(description(1, xyz()), `"`, "'"),
			"<points", `<!-- <points> --><name type="String">a &lt;b> &#x41;&amp;</name><?p ?><points`), section(dataPacket(one, one, one))...),
			"[1] 0 [] [] []"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, all := mustRead(t, c.raw)
			w := &all[0]
			if got := fmt.Sprintf("%v %d %v %d %v", w.X, w.Blank, w.Intensity, w.RGB, w.Row); got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
		})
	}
}

// TestDescription reads what an XML section says of scans.
func TestDescription(t *testing.T) {
	text := xmlHead + `<guid type="String"><![CDATA[{f}]]></guid><x:any><data3D/></x:any><data3D><vectorChild>
<name type="String"><![CDATA[a]]>&amp;<![CDATA[b]]></name><pose><rotation><w type="Float">-1.0000e+000</w><x/><y/><z/></rotation><translation><x>1</x><y/><z> -2.5e-1 </z></translation></pose>
<indexBounds><rowMinimum/><rowMaximum>99</rowMaximum><columnMaximum>7</columnMaximum></indexBounds>
<intensityLimits><intensityMaximum type="Float">2047</intensityMaximum></intensityLimits>
<points fileOffset="0" recordCount="0"><prototype>` + xyz() + `</prototype></points></vectorChild>
<vectorChild><pose><translation><x>3</x></translation></pose><points fileOffset="0" recordCount="0"><prototype>` + xyz() + `</prototype></points></vectorChild></data3D></e57Root>`
	f, _ := mustRead(t, withXML(text))
	if len(f.Scans) != 2 || f.GUID != "{f}" {
		t.Fatalf("got %d scans in %q", len(f.Scans), f.GUID)
	}
	s := f.Scans[0]
	if s.Name != "a&b" || s.Row != (Limits{Max: 99}) || s.Column.Max != 7 || s.Intensity.Max != 2047 {
		t.Errorf("got %+v", s)
	}
	if s.Pose.R.Trace() != 3 || s.Pose.T.X != 1 || s.Pose.T.Z != -0.25 {
		t.Errorf("got the pose %v", *s.Pose)
	}
	if p := f.Scans[1].Pose; p.T.X != 3 || p.R.Trace() != 3 {
		t.Errorf("got the pose %v of a translation alone", *p)
	}
}

// TestIntensityLimits takes the limits from the field where the file says nothing
// else, and none where the field has no range either.
func TestIntensityLimits(t *testing.T) {
	for attributes, want := range map[string]Limits{
		`type="Integer" minimum="-5" maximum="2047"`:                {Min: -5, Max: 2047},
		`type="ScaledInteger" minimum="0" maximum="10" scale="0.5"`: {Max: 5},
		`type="Float" minimum="0" maximum="1"`:                      {Max: 1},
		`type="Float"`:                                              {},
		`type="Integer"`:                                            {},
		`type="String"`:                                             {},
	} {
		f, _ := mustRead(t, withXML(description(0, xyz()+"<intensity "+attributes+"/>"), section()...))
		if got := f.Scans[0].Intensity; got != want {
			t.Errorf("%s: got %v, want %v", attributes, got, want)
		}
	}
}

// TestOnlyWhatIsWanted reads no column that nobody asked for.
func TestOnlyWhatIsWanted(t *testing.T) {
	raw := mustWrite(t, Header{}, goldenScan())
	f, err := Open(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		t.Fatal(err)
	}
	p, err := f.Points(0, Want{})
	if err != nil {
		t.Fatal(err)
	}
	var b Batch
	if err := p.Next(&b); err != nil {
		t.Fatal(err)
	}
	if len(b.X) != 1 || len(b.Intensity)+len(b.RGB)+len(b.Row)+len(b.Column) != 0 {
		t.Errorf("got %+v", b)
	}
	if err := p.Next(&b); !errors.Is(err, io.EOF) {
		t.Errorf("got %v after the last record", err)
	}
}
