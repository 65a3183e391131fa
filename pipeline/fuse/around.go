package fuse

// A word has a bit for each place of a layer of a block, row by row. Words of the places
// themselves and of those one further in x, in y and in both say at once what all cells
// of a layer look like.

const (
	firstColumn = 0x0101010101010101
	lastColumn  = firstColumn << (side - 1)
	firstRow    = 1<<side - 1
)

// signs of places: whether the distance is known there, and covered, and whether it is
// negative, which it is nowhere else.
type signs struct{ known, inside uint64 }

// around looks places up in a block and the neighbours behind its upper sides.
type around struct {
	blocks [8]*block // bit 0: next in x, bit 1: in y, bit 2: in z
	ids    [8]int32
	units  [8]float32
	layers [side + 1][4]signs // of the places, of those next in x, in y, and in both
}

func (g *grid) around(id int32) *around {
	a := &around{}
	c := g.at[id]
	var of [8][side]signs
	for k := range 8 {
		n := coord{c.x + int32(k&1), c.y + int32(k>>1&1), c.z + int32(k>>2)}
		if a.ids[k] = g.index.find(n.key()); a.ids[k] >= 0 {
			a.blocks[k], a.units[k] = g.blocks[a.ids[k]], g.unitOf(a.ids[k])
			layers := side
			if k >= 4 {
				layers = 1
			}
			layerSigns(a.blocks[k], &of[k], layers)
		}
	}
	for z := range side {
		a.layers[z] = layer(of[0][z], of[1][z], of[2][z], of[3][z])
	}
	a.layers[side] = layer(of[4][0], of[5][0], of[6][0], of[7][0])
	return a
}

// layer sets the signs of a layer beside those of places one further, given those of the
// same layer in the blocks next in x, in y and in both.
func layer(own, x, y, xy signs) [4]signs {
	beside, behind := own.nextInX(x), y.nextInX(xy)
	return [4]signs{own, beside, own.nextInY(y), beside.nextInY(behind)}
}

func (s signs) nextInX(next signs) signs {
	shift := func(own, next uint64) uint64 { return own>>1&^lastColumn | next&firstColumn<<(side-1) }
	return signs{shift(s.known, next.known), shift(s.inside, next.inside)}
}

func (s signs) nextInY(next signs) signs {
	shift := func(own, next uint64) uint64 { return own>>side | next&firstRow<<(side*(side-1)) }
	return signs{shift(s.known, next.known), shift(s.inside, next.inside)}
}

// layerSignsPlain finds the signs of the first layers of a block.
func layerSignsPlain(b *block, s *[side]signs, layers int) {
	for i := range layers * side * side {
		if b.isKnown(i) {
			s[i/(side*side)].known |= 1 << (i % (side * side))
			if b.mean[i] < 0 {
				s[i/(side*side)].inside |= 1 << (i % (side * side))
			}
		}
	}
}

// place says in which block of the neighbourhood a place lies, and where there.
func place(x, y, z int) (which, i int) {
	return x/side | y/side<<1 | z/side<<2, (z%side*side+y%side)*side + x%side
}

// at returns the mean distance at a place, in cells.
func (a *around) at(x, y, z int) float32 {
	which, i := place(x, y, z)
	v, _ := a.blocks[which].value(i)
	return v * a.units[which]
}

// cover returns that of a place.
func (a *around) cover(x, y, z int) uint8 {
	which, i := place(x, y, z)
	return a.blocks[which].cover[i]
}

// crossings returns a bit for each place of a layer from which the surface crosses the
// edge along an axis.
func (a *around) crossings(axis, z int) uint64 {
	from, to := a.layers[z][0], a.layers[z][1]
	switch axis {
	case 1:
		to = a.layers[z][2]
	case 2:
		to = a.layers[z+1][0]
	}
	return from.known & to.known & (from.inside ^ to.inside)
}

// cells returns a bit for each cell of a layer that the surface passes and whose corners
// are all known.
func (a *around) cells(z int) uint64 {
	known, some, all := ^uint64(0), uint64(0), ^uint64(0)
	for _, l := range a.layers[z : z+2] {
		for _, s := range l {
			known, some, all = known&s.known, some|s.inside, all&s.inside
		}
	}
	return known & some &^ all
}

// signs returns the case of a cell: bit c is set where corner c is inside.
func (a *around) signs(cell, z int) int {
	n := 0
	for c := range 8 {
		n |= int(a.layers[z+c>>2][c&3].inside>>cell&1) << c
	}
	return n
}
