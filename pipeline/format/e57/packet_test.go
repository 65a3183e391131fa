package e57

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"slices"
	"sync"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/scan"
)

// indexEntries returns record numbers and physical offsets of an index packet.
func indexEntries(b []byte) (records, offsets []uint64) {
	for b = b[indexHeader:]; len(b) > 0; b = b[indexEntry:] {
		records = append(records, binary.LittleEndian.Uint64(b))
		offsets = append(offsets, binary.LittleEndian.Uint64(b[8:]))
	}
	return records, offsets
}

// TestIndexPoints follows every entry of a written index to a data packet that
// begins with the record it names.
func TestIndexPoints(t *testing.T) {
	const n = 50_000
	values := make([]float64, n)
	for i := range values {
		values[i] = float64(i)
	}
	count := Field{Name: "timeStamp", Kind: Double}
	raw := mustWrite(t, Header{}, Output{Scan: Scan{Records: n, Fields: append(place(Single, 0), count)}, Fill: func(first int64, c [][]float64) error {
		copy(c[3], values[first:])
		return nil
	}})
	content := unseal(raw)
	f := File{pages: int64(len(raw) / pageSize)}
	at, err := f.logical(binary.LittleEndian.Uint64(content[headerSize+24:]))
	if err != nil {
		t.Fatal(err)
	}
	size := int64(binary.LittleEndian.Uint16(content[at+2:])) + 1
	records, offsets := indexEntries(content[at : at+size])
	if len(records) != int(binary.LittleEndian.Uint16(content[at+4:])) || len(records) < 10 || records[0] != 0 {
		t.Fatalf("got %d entries, the first of record %d", len(records), records[0])
	}
	for i, record := range records {
		packet, err := f.logical(offsets[i])
		if err != nil {
			t.Fatal(err)
		}
		lengths := content[packet+packetHeader:]
		before := 0
		for k := range 3 {
			before += int(binary.LittleEndian.Uint16(lengths[2*k:]))
		}
		var first [1]float64
		takeDoubles(first[:], lengths[8+before:])
		if content[packet] != packetData || first[0] != float64(record) {
			t.Fatalf("entry %d says record %d, the packet there begins with %v", i, record, first[0])
		}
	}
}

// TestPlans looks at the sections of scans from nothing to a hundred billion
// records: packets fit their length field, one index packet holds all entries.
func TestPlans(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Scan{Records: rapid.Int64Range(1, 1e11).Draw(t, "records")}
		for range rapid.IntRange(1, mostFieldsWritten).Draw(t, "fields") {
			width := rapid.UintRange(0, 63).Draw(t, "width")
			s.Fields = append(s.Fields, Field{Max: int64(uint64(1)<<width - 1)})
		}
		p := planSection(&s, headerSize)
		switch {
		case p.size > mostPacket || p.last > p.size || p.size%4 != 0 || p.last%4 != 0:
			t.Fatalf("packets of %d and %d bytes", p.size, p.last)
		case p.records%8 != 0 || p.records <= 0:
			t.Fatalf("%d records a packet", p.records)
		case (p.packets-1)*p.records >= s.Records || p.packets*p.records < s.Records:
			t.Fatalf("%d packets of %d records for %d", p.packets, p.records, s.Records)
		case p.entries < 1 || p.entries > mostEntries || (p.entries-1)*p.stride >= p.packets:
			t.Fatalf("%d entries for %d packets", p.entries, p.packets)
		}
		index := indexPacket(&p, p.start+sectionHeader)
		if records, _ := indexEntries(index); int64(len(records)) != p.entries || len(index) > mostPacket {
			t.Fatalf("%d entries in %d bytes, want %d", len(records), len(index), p.entries)
		}
	})
}

// TestSteadyMemory reads a file ten times as long in the same memory.
func TestSteadyMemory(t *testing.T) {
	used := func(records int64) uint64 {
		raw := mustWrite(t, Header{}, Output{Scan: Scan{Records: records, Fields: place(Scaled, 32)}, Fill: wave})
		got, err := allocated(raw)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	short, long := used(100_000), used(1_000_000)
	if long > short+short/4 || long > 4<<20 {
		t.Errorf("%d bytes for 100 000 records, %d for a million", short, long)
	}
}

// TestScansAtOnce reads the scans of one file from several goroutines.
func TestScansAtOnce(t *testing.T) {
	var scans []Output
	for range 8 {
		scans = append(scans, Output{Scan: Scan{Records: 20_000, Fields: place(Scaled, 19)}, Fill: wave})
	}
	raw := mustWrite(t, Header{}, scans...)
	f, want := mustRead(t, raw)
	var all sync.WaitGroup
	got := make([]whole, len(scans))
	faults := make([]error, len(scans))
	for k := range scans {
		all.Go(func() { got[k], faults[k] = readScan(f, k) })
	}
	all.Wait()
	if err := errors.Join(faults...); err != nil {
		t.Fatal(err)
	}
	for k := range got {
		if !slices.Equal(got[k].X, want[k].X) || !slices.Equal(got[k].Z, want[k].Z) {
			t.Errorf("scan %d came back as another", k)
		}
	}
}

// TestAnyDamage changes bytes anywhere behind the checksums: what is read then is
// a file, perhaps another, or refused for its content.
func TestAnyDamage(t *testing.T) {
	good := unseal(golden(t))
	rapid.Check(t, func(t *rapid.T) {
		bad := slices.Clone(good)
		for range rapid.IntRange(1, 4).Draw(t, "changes") {
			at := rapid.IntRange(0, len(bad)-1).Draw(t, "at")
			bad[at] = rapid.SampledFrom([]byte{0, 1, 0x7f, 0x80, 0xff, bad[at] + 1, bad[at] ^ 0x20, '9', '<', '"'}).Draw(t, "to")
		}
		err := drain(seal(bad))
		if err != nil && !errors.Is(err, scan.ErrFormat) && !errors.Is(err, scan.ErrTruncated) {
			t.Fatalf("got %v, want a refusal for its content", err)
		}
	})
}

// TestPagesInAnyPortions hands out the same payload whatever is asked for at a
// time and wherever it begins.
func TestPagesInAnyPortions(t *testing.T) {
	content := make([]byte, 20*payload)
	for i := range content {
		content[i] = byte(i * 7)
	}
	raw := seal(content[headerSize:]) // the seal sets a length in the first bytes
	want := unseal(raw)
	rapid.Check(t, func(t *rapid.T) {
		window := rapid.Int64Range(1, 8*pageSize).Draw(t, "window")
		p := newPages(bytes.NewReader(raw), int64(len(raw)/pageSize), window)
		at := rapid.IntRange(0, len(want)-1).Draw(t, "from")
		if err := p.seek(int64(at)); err != nil {
			t.Fatal(err)
		}
		for {
			n := rapid.IntRange(1, int(window)).Draw(t, "n")
			b, err := p.peek(n)
			if at+n > len(want) {
				if !errors.Is(err, scan.ErrTruncated) {
					t.Fatalf("got %v at the end", err)
				}
				return
			}
			if err != nil || !bytes.Equal(b, want[at:at+n]) || p.offset() != int64(at) {
				t.Fatalf("%d bytes at %d: %v, offset %d", n, at, err, p.offset())
			}
			p.pos += n
			at += n
		}
	})
	if err := newPages(bytes.NewReader(raw), 20, pageSize).copy(make([]byte, 10), int64(len(want))-5); !errors.Is(err, scan.ErrTruncated) {
		t.Errorf("got %v for bytes behind the end", err)
	}
}

// TestSameScansSameBytes writes twice and compares.
func TestSameScansSameBytes(t *testing.T) {
	o := Output{Scan: Scan{GUID: "{s}", Records: 100_000, Fields: place(Scaled, 19)}, Fill: wave}
	if !bytes.Equal(mustWrite(t, Header{GUID: "{f}"}, o, o), mustWrite(t, Header{GUID: "{f}"}, o, o)) {
		t.Error("the same scans gave other bytes")
	}
	if err := Write(io.Discard, Header{}, []Output{o, {}}); !errors.Is(err, errUnwritable) {
		t.Errorf("got %v for a scan without fields", err)
	}
}
