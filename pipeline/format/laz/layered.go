package laz

import (
	"encoding/binary"
	"slices"
)

// followed is an item behind POINT14, decoded from layers of its own. It keeps
// its last value by scanner channel.
type followed struct {
	item     item
	at       int // of its bytes in a record
	version4 bool
	channels [4]followedChannel
	current  uint8
	layers   []coder
	isFilled []bool
}

// followedChannel is what an item remembers of a scanner channel.
type followedChannel struct {
	isUsed   bool
	last     []byte
	colour   colour
	infrared infrared
	wave     wave
	extra    []model
}

// layerCount is how many layers the item takes in the file.
func (f *followed) layerCount() int {
	switch f.item.kind {
	case kindRGBNIR14:
		return 2
	case kindByte14:
		return f.item.size
	default:
		return 1
	}
}

func (f *followed) first(raw []byte, channel uint8) {
	for i := range f.channels {
		f.channels[i].isUsed = false
	}
	f.current = channel
	f.channels[channel].first(raw[f.at:f.at+f.item.size], &f.item)
}

func (h *followedChannel) first(raw []byte, it *item) {
	h.isUsed, h.last = true, append(h.last[:0], raw...)
	switch it.kind {
	case kindWave14:
		h.wave.reset()
	case kindByte14:
		h.extra = grown(h.extra, it.size)
	default:
		h.colour.reset()
		h.infrared.reset()
	}
}

// next decodes the item for a point of the given channel.
//
// Version 3 of the format has two oddities, which its files fix for ever: only a
// point that changes the channel tells the other items, for all others they take
// channel 0; and on return to a channel met before they are coded against the
// last value of the channel they come from, and replace that. Version 4 does
// neither.
func (f *followed) next(raw []byte, channel uint8, isChanged bool) {
	if !f.version4 && !isChanged {
		channel = 0
	}
	h := &f.channels[channel]
	from := &f.channels[f.current]
	switch {
	case channel == f.current:
	case !h.isUsed:
		h.first(from.last, &f.item)
		from = h
	case f.version4:
		from = h
	}
	f.current = channel
	switch f.item.kind {
	case kindWave14:
		if f.isFilled[0] {
			h.wave.next(&f.layers[0], (*[waveSize]byte)(from.last))
		}
	case kindByte14:
		for i := range from.last {
			if f.isFilled[i] {
				from.last[i] += byte(f.layers[i].symbol(&h.extra[i], 256))
			}
		}
	default:
		f.colours(h, from.last)
	}
	copy(raw[f.at:f.at+f.item.size], from.last)
}

func (f *followed) colours(h *followedChannel, last []byte) {
	if f.isFilled[0] {
		nextColour(&h.colour, &f.layers[0], last)
	}
	if f.item.kind == kindRGBNIR14 && f.isFilled[1] {
		binary.LittleEndian.PutUint16(last[6:], h.infrared.next(&f.layers[1], binary.LittleEndian.Uint16(last[6:])))
	}
}

// nextColour replaces a colour of six bytes by the next.
func nextColour(r *colour, c *coder, last []byte) {
	var rgb [3]uint16
	for i := range rgb {
		rgb[i] = binary.LittleEndian.Uint16(last[2*i:])
	}
	r.next(c, &rgb)
	for i, v := range rgb {
		binary.LittleEndian.PutUint16(last[2*i:], v)
	}
}

// layered decodes a chunk whose fields lie in layers, one after the other.
type layered struct {
	point  point14
	others []followed
	want   Fields
}

func newLayered(s *Scheme, want Fields) *layered {
	l := &layered{want: want}
	at := s.items[0].size
	for _, it := range s.items[1:] {
		f := followed{item: it, at: at, version4: it.version == 4}
		f.layers, f.isFilled = make([]coder, f.layerCount()), make([]bool, f.layerCount())
		l.others = append(l.others, f)
		at += it.size
	}
	return l
}

// first takes the chunk apart: the first point as it is, the number of points,
// the sizes of all layers, the layers. It returns the number of points.
func (l *layered) first(chunk, raw []byte) (int64, error) {
	head := len(raw) + 4 + 4*l.layerCount()
	if len(chunk) < head {
		return 0, damaged("a chunk of %d bytes is too short for its heading", len(chunk))
	}
	copy(raw, chunk)
	points := int64(binary.LittleEndian.Uint32(chunk[len(raw):]))
	l.point.first(raw)
	sizes, rest := chunk[len(raw)+4:head], chunk[head:]
	for i := range layers14 {
		wanted := l.want == All || slices.Contains(neededLayers, i)
		if err := place(&l.point.layers[i], &l.point.isFilled[i], &sizes, &rest, wanted); err != nil {
			return 0, err
		}
	}
	for k := range l.others {
		f := &l.others[k]
		f.first(raw, l.point.current)
		wanted := l.want == All || f.item.kind == kindRGB14 || f.item.kind == kindRGBNIR14
		for i := range f.layers {
			if err := place(&f.layers[i], &f.isFilled[i], &sizes, &rest, wanted); err != nil {
				return 0, err
			}
		}
	}
	if len(rest) > 0 {
		return 0, damaged("%d bytes of a chunk belong to no layer", len(rest))
	}
	return points, nil
}

// neededLayers are the layers of POINT14 behind Places: coordinates, the flag
// that withholds a point, and intensity.
var neededLayers = []int{layerXY, layerZ, layerFlags, layerIntensity}

func (l *layered) layerCount() int {
	n := layers14
	for i := range l.others {
		n += l.others[i].layerCount()
	}
	return n
}

// place starts one layer at the size that stands next in sizes.
func place(c *coder, isFilled *bool, sizes, rest *[]byte, wanted bool) error {
	n := int64(binary.LittleEndian.Uint32(*sizes))
	*sizes = (*sizes)[4:]
	if n > int64(len(*rest)) {
		return damaged("a layer of %d bytes does not fit into its chunk", n)
	}
	*isFilled = n > 0 && wanted
	c.start((*rest)[:n])
	*rest = (*rest)[n:]
	return nil
}

func (l *layered) next(raw []byte) {
	before := l.point.current
	channel := l.point.next(raw)
	for i := range l.others {
		l.others[i].next(raw, channel, channel != before)
	}
}

// check looks for signs of damage; at the end of a chunk every layer must be
// used up.
func (l *layered) check(isEnd bool) error {
	for i := range l.point.channels {
		if l.point.channels[i].time.isConfused {
			return errConfused
		}
	}
	if err := checkLayers(l.point.layers[:], l.point.isFilled[:], isEnd); err != nil {
		return err
	}
	for i := range l.others {
		if err := checkLayers(l.others[i].layers, l.others[i].isFilled, isEnd); err != nil {
			return err
		}
	}
	return nil
}

func checkLayers(layers []coder, isFilled []bool, isEnd bool) error {
	for i := range layers {
		if !isFilled[i] {
			continue
		}
		if layers[i].overran() || isEnd && !layers[i].isSpent() {
			return errAstray
		}
	}
	return nil
}
