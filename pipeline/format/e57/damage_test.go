package e57

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/scan"
)

// u64 and u16 are numbers as the file has them.
func u64(v uint64) []byte { return binary.LittleEndian.AppendUint64(nil, v) }
func u16(v uint16) []byte { return binary.LittleEndian.AppendUint16(nil, v) }

func golden(t testing.TB) []byte {
	t.Helper()
	raw, err := os.ReadFile("testdata/golden.e57")
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// refusedFor fails unless raw is refused for its content with these words.
func refusedFor(t *testing.T, raw []byte, words string) {
	t.Helper()
	_, _, err := readAll(bytes.NewReader(raw), int64(len(raw)))
	mustRefuse(t, err)
	if err != nil && !strings.Contains(err.Error(), words) {
		t.Errorf("got %q, want a word of %q", err, words)
	}
}

// TestDamagedNumbers sets the numbers of the golden file's header, section and
// packets to what they must not be, its checksums right.
func TestDamagedNumbers(t *testing.T) {
	const packet = headerSize + sectionHeader
	for _, c := range []struct {
		name  string
		at    int
		b     []byte
		words string
	}{
		{"signature", 0, []byte("ASTM-E58"), "begin with ASTM-E57"},
		{"major version", 8, u16(2), "version 2.0"},
		{"page size", 40, u64(4096), "4096"},
		{"page size 0", 40, u64(0), "pages have 0"},
		{"XML in a checksum", 24, u64(1021), "checksum"},
		{"XML behind the end", 24, u64(3072), "beyond the end"},
		{"XML at minus one", 24, u64(math.MaxUint64), "beyond the end"},
		{"XML in the header", 24, u64(0), "XML section"},
		{"XML in the points", 24, u64(48), ""},
		{"XML too long", 32, u64(5000), "does not fit"},
		{"XML of 2⁶³", 32, u64(1 << 63), "does not fit"},
		{"XML of all there is", 32, u64(math.MaxUint64), "does not fit"},
		{"XML of nothing", 32, u64(0), "ends"},
		{"XML cut short", 32, u64(1891 - 12), "no end"},
		{"section kind", 48, []byte{0}, "its kind is 0"},
		{"section of nothing", 56, u64(0), "a section of 0 bytes"},
		{"section too long", 56, u64(1 << 62), "does not fit"},
		{"section too short", 56, u64(32 + 67), "reaches over"},
		{"section of a head", 56, u64(32), "outside of its section"},
		{"section of few bytes", 56, u64(32 + 24), "room for 1"},
		{"packets at 0", 64, u64(0), "outside of its section"},
		{"packets in a checksum", 64, u64(1020), "into a checksum"},
		{"packets elsewhere", 64, u64(180), "outside of its section"},
		{"packets at the end", 64, u64(1 << 40), "beyond the end"},
		{"packets at the index", 64, u64(148), "room for"},
		{"packet kind", packet, []byte{3}, "kind 3"},
		{"packet ignored", packet, []byte{packetIgnored}, "ends after 0"},
		{"packet length", packet + 2, u16(66), "whole number of words"},
		{"packet of 64 KiB", packet + 2, u16(math.MaxUint16), "reaches over"},
		{"packet of 4 bytes", packet + 2, u16(3), ""},
		{"packet of 20 bytes", packet + 2, u16(19), "20 bytes with 9 streams"},
		{"no streams", packet + 4, u16(0), "ends after 0"},
		{"eight streams", packet + 4, u16(8), "has 8 streams"},
		{"too many streams", packet + 4, u16(math.MaxUint16), "streams"},
		{"a long stream", packet + 6, u16(60), "longer than the packet"},
		{"a short stream", packet + 6, u16(6), "promised"},
	} {
		t.Run(c.name, func(t *testing.T) {
			refusedFor(t, patched(golden(t), c.at, c.b...), c.words)
		})
	}
}

// TestDamagedDescriptions changes the XML of a good file.
func TestDamagedDescriptions(t *testing.T) {
	one := floats(1)
	good := description(1, xyz())
	swap := func(pairs ...string) string { return strings.NewReplacer(pairs...).Replace(good) }
	for _, c := range []struct{ name, text, words string }{
		{"no XML", "pretty far from XML", "ends"},
		{"another root", "<html></html>", "<html>"},
		{"no end", strings.TrimSuffix(good, "</e57Root>"), "ends within e57Root"},
		{"crossed tags", swap("</data3D></e57Root>", "</e57Root></data3D>"), "closes nothing"},
		{"not UTF-8", swap("<points", "<name>\xff</name><points"), "UTF-8"},
		{"UTF-16", "<\x00e\x005\x007\x00>\x00", "no name"},
		{"document type", `<!DOCTYPE lolz [<!ENTITY a "b">]>` + good, "document type"},
		{"entity of its own", swap("<points", "<name>&lol;</name><points"), "&lol;"},
		{"entity without end", swap("<points", "<name>&lol</name><points"), "entity has no end"},
		{"entity beyond Unicode", swap("<points", "<name>&#x110000;</name><points"), "no entity"},
		{"too deep", swap("<points", strings.Repeat("<a>", 100)+strings.Repeat("</a>", 100)+"<points"), "deep"},
		{"too deep in what is kept", swap("<points", "<pose>"+strings.Repeat("<a>", 100)+strings.Repeat("</a>", 100)+"</pose><points"), "deep"},
		{"open comment", swap("<points", "<!-- <points"), "no end"},
		{"open CDATA", swap("<points", "<![CDATA[ <points"), "no end"},
		{"open tag", good[:len(good)-1], "no end"},
		{"tag without name", swap("<points", "< points"), "no name"},
		{"another format", swap("<data3D", "<formatName>DOC</formatName><data3D"), `"DOC"`},
		{"no points", swap("<points", "<dots", "</points", "</dots"), "no points"},
		{"no prototype", swap("prototype", "protype"), "no prototype"},
		{"no count", swap("recordCount", "recordcount"), "no recordCount"},
		{"no offset", swap("fileOffset", "offset"), "no fileOffset"},
		{"count below 0", swap(`"1"`, `"-1"`), "no count"},
		{"count of words", swap(`recordCount="1"`, `recordCount="many"`), "no count"},
		{"count of 2⁶³", swap(`recordCount="1"`, `recordCount="9223372036854775808"`), "beyond belief"},
		{"count of 2⁶³−1", swap(`recordCount="1"`, `recordCount="9223372036854775807"`), "room for"},
		{"count of 2⁶⁴", swap(`recordCount="1"`, `recordCount="18446744073709551616"`), "no count"},
		{"one record more", swap(`recordCount="1"`, `recordCount="2"`), "promised"},
		{"offset behind the end", swap(`"48"`, `"18446744073709551615"`), "beyond the end"},
		{"offset below 0", swap(`"48"`, `"-48"`), "no count"},
		{"offset in a checksum", swap(`"48"`, `"1020"`), "into a checksum"},
		{"offset elsewhere", swap(`"48"`, `"80"`), ""},
		{"offset 0", swap(`"48"`, `"0"`), "no section"},
		{"codec", swap(`<codecs type="Vector"/>`, `<codecs><vectorChild><zip/></vectorChild></codecs>`), "codec"},
		{"no coordinates", swap("cartesianZ", "cartesianW"), "neither"},
		{"words for coordinates", swap(`<cartesianZ type="Float" precision="single"/>`, `<cartesianZ type="String"/>`), "no number"},
		{"range upside down", swap(`<cartesianX type="Float"`, `<cartesianX type="Integer" minimum="1" maximum="0"`), "above its maximum"},
		{"minimum of words", swap(`<cartesianX type="Float"`, `<cartesianX type="Integer" minimum="low"`), "whole number"},
		{"limit of words", swap(`<cartesianX type="Float"`, `<cartesianX type="Float" maximum="high"`), "not a number"},
		{"scale of 0", swap(`<cartesianX type="Float"`, `<cartesianX type="ScaledInteger" scale="0"`), "scale 0"},
		{"scale of NaN", swap(`<cartesianX type="Float"`, `<cartesianX type="ScaledInteger" scale="NaN"`), "scale NaN"},
		{"scale of words", swap(`<cartesianX type="Float"`, `<cartesianX type="ScaledInteger" scale="m"`), "not a number"},
		{"offset beyond numbers", swap(`<cartesianX type="Float"`, `<cartesianX type="ScaledInteger" offset="1e999"`), "offset +Inf"},
		{"quaternion", swap("<points", "<pose><rotation><w>2</w></rotation></pose><points"), "length 2"},
		{"quaternion of NaN", swap("<points", "<pose><rotation><w>NaN</w></rotation></pose><points"), "length NaN"},
		{"quaternion of words", swap("<points", "<pose><rotation><w>one</w></rotation></pose><points"), "not a number"},
		{"translation without end", swap("<points", "<pose><translation><x>-inf</x></translation></pose><points"), "not finite"},
		{"translation of words", swap("<points", "<pose><translation><x>far</x></translation></pose><points"), "not a number"},
		{"bounds of words", swap("<points", "<cartesianBounds><xMinimum>low</xMinimum></cartesianBounds><points"), "not a number"},
		{"row below 0", strings.ReplaceAll(description(1, singles("cartesianX", "cartesianY", "rowIndex")), "<rowIndex", `<rowIndex type="Integer" minimum="-1" maximum="-1"/><cartesianZ`), "rowIndex is -1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			streams := [][]byte{one, one, one}
			if strings.Contains(c.text, "rowIndex") {
				streams = append(streams, nil)
				streams[2], streams[3] = nil, one
			}
			refusedFor(t, withXML(c.text, section(dataPacket(streams...))...), c.words)
		})
	}
}

func TestRecordsWithoutBits(t *testing.T) {
	constant := `<cartesianX type="Integer" minimum="1" maximum="1"/><cartesianY type="Integer" minimum="2" maximum="2"/><cartesianZ type="Integer" minimum="3" maximum="3"/>`
	_, all := mustRead(t, oneScan(1000, constant, dataPacket(nil, nil, nil)))
	if len(all[0].X) != 1000 || all[0].Z[999] != 3 {
		t.Errorf("got %d points", len(all[0].X))
	}
	refusedFor(t, oneScan(mostWithoutBits+1, constant, dataPacket(nil, nil, nil)), "no space")
	refusedFor(t, oneScan(int64(math.MaxInt64), constant, dataPacket(nil, nil, nil)), "no space")
}

func TestStreamsOutOfStep(t *testing.T) {
	// All of X and Y before any of Z: 2000 records, more than a batch's bytes.
	values := make([]float64, 2000)
	for i := range values {
		values[i] = float64(i)
	}
	_, all := mustRead(t, oneScan(2000, xyz(), dataPacket(floats(values...), floats(values...), nil), dataPacket(nil, nil, floats(values...))))
	if w := all[0]; w.X[1999] != 1999 || w.Z[1999] != 1999 {
		t.Errorf("got %v", w.at(1999))
	}
	s := stream{field: &Field{Name: "cartesianX"}, width: 32}
	var err error
	for range mostPending/mostPacket + 1 {
		err = errors.Join(err, s.add(make([]byte, mostPacket)))
	}
	if !errors.Is(err, scan.ErrFormat) {
		t.Errorf("got %v for a stream far ahead of the others", err)
	}
}

// TestTruncated cuts good files at every fiftieth of their length and about every
// border in their first pages, once as a file that lost its end, once as a file
// that says so: checksums and length are right, the content is not there.
func TestTruncated(t *testing.T) {
	var c Columns
	for i := range 3000 {
		c.X, c.Y, c.Z = append(c.X, float64(i)), append(c.Y, 0), append(c.Z, 1)
	}
	o, err := c.Output(Scan{Name: "cut"}, Double, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, raw := range [][]byte{golden(t), mustWrite(t, Header{}, o, goldenScan())} {
		var cuts []int
		for i := range 50 {
			cuts = append(cuts, i*len(raw)/50)
		}
		for _, border := range []int{8, 12, 16, 24, 32, 40, 48, 80, 148, 180, 1020, 1024, len(raw) - 1024, len(raw)} {
			cuts = append(cuts, border-1, min(border, len(raw)-1))
		}
		for _, cut := range cuts {
			_, _, err := readAll(bytes.NewReader(raw[:cut]), int64(cut))
			if !errors.Is(err, scan.ErrTruncated) {
				t.Errorf("cut at %d of %d: got %v", cut, len(raw), err)
			}
			if content := unseal(raw); cut < int(fileXML(raw)) {
				resealed := seal(content[:cut])
				_, _, err = readAll(bytes.NewReader(resealed), int64(len(resealed)))
				mustRefuse(t, err)
			}
		}
	}
}

// fileXML returns the physical offset of the XML section.
func fileXML(raw []byte) uint64 { return binary.LittleEndian.Uint64(raw[24:]) }

func TestLongerThanPromised(t *testing.T) {
	refusedFor(t, append(golden(t), make([]byte, pageSize)...), "the header promises 3072 bytes, 4096 are there")
	refusedFor(t, append(golden(t), 0), "the header promises")
}

// TestShrinkingFile reads a file that has become shorter since it was measured.
func TestShrinkingFile(t *testing.T) {
	raw := golden(t)
	_, _, err := readAll(bytes.NewReader(raw[:2500]), int64(len(raw)))
	if !errors.Is(err, scan.ErrTruncated) {
		t.Errorf("got %v, want a truncated file", err)
	}
}

// faulty is a medium that fails at one place.
type faulty struct {
	bytes.Reader
	at int64
}

var errMedium = errors.New("the disk is broken")

func (f *faulty) ReadAt(p []byte, off int64) (int, error) {
	if f.at >= off && f.at < off+int64(len(p)) {
		return 0, errMedium
	}
	return f.Reader.ReadAt(p, off)
}

// TestMediumFaults passes a fault of the disk on as it is: the file is not to
// blame.
func TestMediumFaults(t *testing.T) {
	raw := golden(t)
	for _, at := range []int64{0, 1024, 2048} {
		_, _, err := readAll(&faulty{Reader: *bytes.NewReader(raw), at: at}, int64(len(raw)))
		if !errors.Is(err, errMedium) || errors.Is(err, scan.ErrFormat) || errors.Is(err, scan.ErrTruncated) {
			t.Errorf("fault at %d: got %v", at, err)
		}
	}
}

// TestEveryFlip flips single bits all over a file: the checksum, or for its own
// bytes the comparison with it, gives each away.
func TestEveryFlip(t *testing.T) {
	raw := golden(t)
	for at := range raw {
		bad := slices.Clone(raw)
		bad[at] ^= 1 << (at % 8)
		_, _, err := readAll(bytes.NewReader(bad), int64(len(bad)))
		mustRefuse(t, err)
	}
}

// hostile are files that ask for more than they are.
func hostile(size int) map[string][]byte {
	inScan := func(text string) []byte {
		head, tail, _ := strings.Cut(description(0, xyz()), "<points")
		return withXML(head+text+"<points"+tail, section()...)
	}
	fill := func(piece string) string { return strings.Repeat(piece, size/len(piece)) }
	tiny := `<cartesianX type="Integer" minimum="0" maximum="1"/><cartesianY type="Integer" minimum="1" maximum="1"/><cartesianZ type="Integer" minimum="1" maximum="1"/>`
	emptyPackets := bytes.Repeat([]byte{packetData, 0, 7, 0, 0, 0, 0, 0}, size/8)
	oneBytePackets := bytes.Repeat(dataPacket([]byte{0}, nil, nil), size/16)
	spherical := strings.NewReplacer("cartesianX", "sphericalRange", "cartesianY", "sphericalAzimuth", "cartesianZ", "sphericalElevation").Replace(tiny)
	var onlyX [][]byte
	for range size / mostPacket {
		onlyX = append(onlyX, dataPacket(make([]byte, 65500), nil, nil))
	}
	var bits [][]byte
	for range size / mostPacket {
		bits = append(bits, dataPacket(make([]byte, 65500), nil, nil))
	}
	point := func(offset int, records int, prototype string) string {
		text := description(records, prototype)
		from, to := strings.Index(text, "<vectorChild"), strings.Index(text, "</data3D>")
		return strings.Replace(text[from:to], `"48"`, fmt.Sprintf(`"%d"`, offset), 1)
	}
	half := section(dataPacket(make([]byte, 60000), nil, nil))
	var small []byte
	shared, apart := xmlHead+"<data3D>", xmlHead+"<data3D>"
	constant := strings.ReplaceAll(strings.ReplaceAll(spherical, `"0"`, `"1"`), `maximum="0"`, `maximum="1"`)
	for range size / 1000 {
		shared += point(48, 8*60000, spherical)
		at := headerSize + len(small)
		apart += point(int(physical(int64(at))), mostWithoutBits, constant)
		s := section([]byte{packetData, 0, emptyPacket - 1, 0, 0, 0, 0, 0})
		copy(s[16:], u64(uint64(physical(int64(at+sectionHeader)))))
		small = append(small, s...)
	}
	return map[string][]byte{
		"many scans of one section": withXML(shared+"</data3D></e57Root>", half...),
		"many constant scans":       withXML(apart+"</data3D></e57Root>", small...),
		"elements":                  inScan("<pose>" + fill("<a/>") + "</pose>"),
		"elements passed by":        inScan("<a>" + fill("<a/>") + "</a>"),
		"elements with text":        inScan("<pose>" + fill("<a>b</a>") + "</pose>"),
		"attributes":                inScan("<pose " + fill(`a="" `) + "/>"),
		"one long text":             inScan("<name>" + fill("a") + "</name>"),
		"text in pieces":            inScan("<name>" + fill("a<!---->") + "</name>"),
		"entities":                  inScan("<name>" + fill("&lt;") + "</name>"),
		"one long name":             inScan("<" + fill("a") + "/>"),
		"open tags":                 inScan(fill("<a>")),
		"comments":                  inScan(fill("<!---->")),
		"many fields":               withXML(description(0, xyz()+fill("<a/>")), section()...),
		"many scans":                withXML(xmlHead+"<data3D>"+fill(`<vectorChild><points fileOffset="0" recordCount="0"><prototype><a/></prototype></points></vectorChild>`)+"</data3D></e57Root>", section()...),
		"records of one bit":        oneScan(8*65500*(size/mostPacket), tiny, bits...),
		"spherical of a bit":        oneScan(8*65500*(size/mostPacket), spherical, bits...),
		"empty packets":             oneScan(10, tiny, emptyPackets),
		"packets of a byte":         oneScan(size/16*8, tiny, oneBytePackets),
		"a stream far ahead":        oneScan(size/12, xyz(), onlyX...),
		"small steps ahead":         oneScan(size/16, xyz(), bytes.Repeat(dataPacket([]byte{1}, nil, nil), size/16)),
		"ignored packets":           oneScan(10, tiny, bytes.Repeat(otherPacket(packetIgnored, 0), size/4)),
		"no fields at all":          withXML(description(1, ""), section(emptyPackets)...),
	}
}

// allowance is what reading a file of this size may allocate in all.
func allowance(size int) uint64 { return 64<<20 + 4*uint64(size) }

// drain reads all of a file and keeps nothing.
func drain(raw []byte) error {
	f, err := Open(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		return err
	}
	var b Batch
	for k := range f.Scans {
		p, err := f.Points(k, everything)
		if err != nil {
			return err
		}
		for err == nil {
			err = p.Next(&b)
		}
		if !errors.Is(err, io.EOF) {
			return err
		}
	}
	return nil
}

// allocated returns the bytes that reading a file allocates, freed or not.
func allocated(raw []byte) (uint64, error) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	err := drain(raw)
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc, err
}

// TestHostile reads files of 1 MiB that are made to take memory and time.
func TestHostile(t *testing.T) {
	for name, raw := range hostile(1 << 20) {
		t.Run(name, func(t *testing.T) {
			got, err := allocated(raw)
			if err != nil {
				mustRefuse(t, err)
			}
			if got > allowance(len(raw)) {
				t.Errorf("%d MiB were allocated for %d KiB", got>>20, len(raw)>>10)
			}
		})
	}
}
