package format

import (
	"context"
	"errors"
	"io"

	"trammel/pipeline/format/laz"
	"trammel/pipeline/par"
)

const (
	// lazAhead is how many chunks are decoded at once. It bounds the memory, and
	// is a constant so that the number of workers changes nothing.
	lazAhead = 4
	// lazLaneBytes bounds the decoded records of a chunk that are held: a usual
	// chunk of 50 000 points is whole in it, a giant one comes in portions.
	lazLaneBytes = 4 << 20
	// lazWide is the record length from which on fewer chunks are decoded at once:
	// each extra byte has a model of more than 1 kB in every scanner channel.
	lazWide = 512
)

// lazReader hands out the records of a compressed LAS file.
type lazReader struct {
	lasRecords
	file  *laz.File
	lanes []lazLane // a ring of chunks in the order of the file
	front int       // the lane that is handed out
	begun int       // chunks
}

// lazLane is one chunk being decoded, some of its records ready.
type lazLane struct {
	decoder *laz.Decoder
	raw     []byte
	ready   []byte // records not yet handed out, within raw
	chunk   int    // its number, or −1
	isNew   bool   // the chunk is not begun
	err     error  // io.EOF once the chunk is decoded
}

func newLAZ(h *lasHeader, r *Reader) (decoder, error) {
	if h.scheme == nil {
		return nil, broken("the points of this LAZ file are compressed, and the record that says how is missing")
	}
	scheme, err := laz.ParseScheme(h.scheme)
	if err != nil {
		return nil, err
	}
	if err := scheme.Check(h.format, h.record); err != nil {
		return nil, err
	}
	at, size, err := r.random()
	if err != nil {
		return nil, err
	}
	file, err := laz.Open(at, laz.Place{Size: size, Start: h.pointsAt, Points: r.about.Points}, scheme)
	if err != nil {
		return nil, err
	}
	l := &lazReader{lasRecords: newLASRecords(h, r), file: file}
	l.lanes = make([]lazLane, min(lazAhead, file.Chunks(), max(1, lazAhead*lazWide/h.record)))
	if file.InOrder() {
		l.lanes = l.lanes[:min(1, len(l.lanes))]
	}
	for i := range l.lanes {
		l.lanes[i].decoder = file.Decoder(laz.Places)
		l.lanes[i].assign(l)
	}
	return l, nil
}

// assign gives the lane the next chunk of the file, if there is one.
func (a *lazLane) assign(l *lazReader) {
	a.chunk, a.isNew, a.err = -1, true, io.EOF
	if l.begun < l.file.Chunks() {
		a.chunk, a.err = l.begun, nil
		l.begun++
	}
}

// fill decodes records until the lane is full or its chunk ends.
func (a *lazLane) fill(l *lazReader) {
	if a.err != nil || len(a.ready) > 0 {
		return
	}
	if a.isNew {
		if a.err = a.decoder.Begin(a.chunk); a.err != nil {
			return
		}
		a.isNew = false
	}
	record := int64(l.head.record)
	if want := min(l.file.Points(a.chunk), lazLaneBytes/record) * record; int64(len(a.raw)) < want {
		a.raw = make([]byte, want)
	}
	n, err := a.decoder.Next(a.raw)
	a.ready, a.err = a.raw[:n*l.head.record], err
}

// next hands out records of the leading lane. When it has none, all idle lanes
// are filled at once.
func (l *lazReader) next(b *Batch) error {
	for {
		if len(l.lanes) == 0 {
			l.finish()
			return io.EOF
		}
		a := &l.lanes[l.front]
		switch {
		case len(a.ready) > 0:
			return l.hand(b, a)
		case a.err == nil:
			if err := l.fillAll(); err != nil {
				return err
			}
		case !errors.Is(a.err, io.EOF):
			return a.err
		case a.chunk < 0:
			l.finish()
			return io.EOF
		default:
			a.assign(l)
			l.front = (l.front + 1) % len(l.lanes)
		}
	}
}

func (l *lazReader) fillAll() error {
	if l.shift < 0 && l.layout.rgb > 0 && l.want.colour {
		if err := l.sampleColour(); err != nil {
			return err
		}
	}
	return par.Each(context.Background(), len(l.lanes), func(i int) error {
		l.lanes[i].fill(l)
		return nil
	})
}

func (l *lazReader) hand(b *Batch, a *lazLane) error {
	n := min(batchRows*l.head.record, len(a.ready))
	l.add(b, a.ready[:n])
	a.ready = a.ready[n:]
	if steps, isBound := l.outside(); isBound && steps > 1 {
		return broken("decompressed points lie outside the bounds that the LAS header gives, by %.0f steps of the scale; the LAZ file is damaged", steps)
	}
	return nil
}

// sampleColour looks at the first colours of chunks all over the file.
func (l *lazReader) sampleColour() error {
	n := l.file.Chunks()
	step := max(1, n/colourSamples)
	if l.file.InOrder() {
		step = n
	}
	d := l.file.Decoder(laz.Places)
	buf := make([]byte, colourRows*l.head.record)
	isBright := false
	for i := 0; i < n && !isBright; i += step {
		if err := d.Begin(i); err != nil {
			return err
		}
		k, err := d.Next(buf)
		if err != nil {
			return err
		}
		isBright = l.hasBright(buf[:k*l.head.record])
	}
	l.settleColour(isBright)
	return nil
}
