package pipeline

import (
	"context"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
	"trammel/pipeline/sticker"
)

const bareVersion = 1

// seenBare is what an instrument has to say about one piece of a sticker.
type seenBare struct {
	Instrument int // index into the sheet's instruments
	sticker.Verdict
}

// bare asks every instrument but the one that shows a sticker whether it saw the skin
// bare there: in a scan made before the stickers were put on, or after they were taken
// off. A scanner that saw the same sticker, or that is too noisy to tell the two apart,
// proves nothing, and the sticker is left in the mesh.
func (r *run) bare(ctx context.Context, b *Built) error {
	if len(b.Stickers) == 0 {
		return nil
	}
	list := b.allPlaced()
	key, err := b.stageKey("bare", bareVersion, b.zones(), list)
	if err != nil {
		return err
	}
	said, err := stage.Run(r.store, "bare", "job", key, stage.JSON[[][]seenBare](), func() ([][]seenBare, error) { return r.askAll(ctx, b, list) })
	if err != nil {
		return err
	}
	k := 0
	for i := range b.Stickers {
		n := len(b.Stickers[i].Zones)
		b.Stickers[i].settle(said[k : k+n])
		k += n
	}
	return nil
}

// shown is a piece of a sticker and the file that shows it.
type shown struct {
	sticker.Zone
	File int
}

// zones lists the pieces of all stickers.
func (b *Built) zones() []shown {
	var out []shown
	for _, s := range b.Stickers {
		for _, z := range s.Zones {
			out = append(out, shown{z, s.File})
		}
	}
	return out
}

func (r *run) askAll(ctx context.Context, b *Built, list []placed) ([][]seenBare, error) {
	zones := b.zones()
	near := newNearZones(zones, 0)
	points := make([][][][]geom.Vec, len(zones)) // by zone, instrument, scan
	for i := range points {
		points[i] = make([][][]geom.Vec, len(b.Job.Instruments))
	}
	for k, p := range list {
		r.progress("looking for bare skin", b.Files[p.file].Path, k, len(list))
		content, err := b.read(ctx, p.file)
		if err != nil {
			return nil, err
		}
		ins := b.Files[p.file].Instrument
		for i, own := range near.gather(ctx, pointsOf(content), p.toFrame) {
			if len(own) > 0 && ins != b.Files[zones[i].File].Instrument {
				points[i][ins] = append(points[i][ins], own)
			}
		}
	}
	out := make([][]seenBare, len(zones))
	err := par.Each(ctx, len(zones), func(i int) error {
		out[i] = []seenBare{}
		for ins, scans := range points[i] {
			if len(scans) > 0 {
				out[i] = append(out[i], seenBare{ins, sticker.Judge(&zones[i].Zone, scans)})
			}
		}
		return nil
	})
	return out, err
}

// nearZones finds the zones around a place, in cells as large as the widest; those within
// more mm of a zone know it.
type nearZones struct {
	zones []shown
	cell  float64
	at    map[[3]int32][]int32
}

func newNearZones(zones []shown, more float64) *nearZones {
	g := &nearZones{zones: zones, at: map[[3]int32][]int32{}}
	for i := range zones {
		g.cell = max(g.cell, 2*(zones[i].Reach()+more))
	}
	for i := range zones {
		reach := geom.Vec{X: 1, Y: 1, Z: 1}.Scale(zones[i].Reach() + more)
		lo, hi := g.of(zones[i].At.Sub(reach)), g.of(zones[i].At.Add(reach))
		for x := lo[0]; x <= hi[0]; x++ {
			for y := lo[1]; y <= hi[1]; y++ {
				for z := lo[2]; z <= hi[2]; z++ {
					k := [3]int32{x, y, z}
					g.at[k] = append(g.at[k], int32(i))
				}
			}
		}
	}
	return g
}

func (g *nearZones) of(p geom.Vec) [3]int32 {
	f := func(x float64) int32 { return int32(math.Floor(x / g.cell)) }
	return [3]int32{f(p.X), f(p.Y), f(p.Z)}
}

// gather lists the points within reach of each zone, in the order of the cloud.
func (g *nearZones) gather(ctx context.Context, c *scan.Cloud, toFrame geom.Pose) [][]geom.Vec {
	out := make([][]geom.Vec, len(g.zones))
	for i := range c.Len() {
		if i%(1<<20) == 0 && ctx.Err() != nil {
			return out
		}
		p := toFrame.Apply(c.At(i))
		for _, k := range g.at[g.of(p)] {
			z := &g.zones[k]
			if d := p.Sub(z.At); d.Norm2() <= z.Reach()*z.Reach() {
				out[k] = append(out[k], p)
			}
		}
	}
	return out
}

// settle decides a sticker's fate by what was said of all its pieces: an instrument
// must have seen each bare. The one that is surest takes its place.
func (s *Sticker) settle(pieces [][]seenBare) {
	s.By, s.Said = -1, sticker.Verdict{}
	best := map[int]sticker.Verdict{}
	for k, said := range pieces {
		now := map[int]sticker.Verdict{}
		for _, v := range said {
			if k == 0 {
				now[v.Instrument] = v.Verdict
			} else if was, ok := best[v.Instrument]; ok {
				now[v.Instrument] = worse(was, v.Verdict)
			}
		}
		best = now
	}
	for _, v := range first(pieces) {
		said, ok := best[v.Instrument]
		if !ok {
			continue
		}
		if said.Answer > s.Said.Answer || said.Answer == s.Said.Answer && said.Sigma < s.Said.Sigma || s.By < 0 {
			s.By, s.Said = v.Instrument, said
		}
	}
	for _, v := range first(pieces) {
		if best[v.Instrument].Answer == sticker.Bare {
			s.Bare = append(s.Bare, v.Instrument)
		}
	}
}

// first are those who said something of the first piece, in the sheet's order.
func first(pieces [][]seenBare) []seenBare {
	if len(pieces) == 0 {
		return nil
	}
	return pieces[0]
}

func worse(a, b sticker.Verdict) sticker.Verdict {
	if b.Answer < a.Answer || b.Answer == a.Answer && b.Sigma > a.Sigma {
		return b
	}
	return a
}

// maskOf lists the pieces of skin that a scan does not bring into the mesh: another
// instrument saw them bare, and this one's did not.
func (b *Built) maskOf(file int) []sticker.Zone {
	var out []sticker.Zone
	ins := b.Files[file].Instrument
	for _, s := range b.Stickers {
		if s.isBare() && !slices.Contains(s.Bare, ins) {
			out = append(out, s.Zones...)
		}
	}
	return out
}

// masks lists the masks of all scans, for a key.
func (b *Built) masks(list []placed) [][]sticker.Zone {
	out := make([][]sticker.Zone, len(list))
	for i, p := range list {
		out[i] = b.maskOf(p.file)
	}
	return out
}

// unstuck is the masked skin of one scan, in its own frame; nil hides nothing.
type unstuck struct{ near *nearZones }

func (b *Built) unstick(p placed) *unstuck {
	mask := b.maskOf(p.file)
	if len(mask) == 0 {
		return nil
	}
	var zones []shown
	back := p.toFrame.Inverse()
	for _, z := range mask {
		z.Skin = z.Moved(back)
		zones = append(zones, shown{Zone: z})
	}
	return &unstuck{newNearZones(zones, 0)}
}

// hides reports whether a point, in the scan's frame, lies on masked skin.
func (u *unstuck) hides(p geom.Vec) bool {
	if u == nil {
		return false
	}
	for _, k := range u.near.at[u.near.of(p)] {
		if u.near.zones[k].Covers(p) {
			return true
		}
	}
	return false
}

// hide takes the weight off the points of a view that are hidden, and returns how many.
func (u *unstuck) hide(v fuse.View) (n int64) {
	if u == nil {
		return 0
	}
	for i := range v.Weight {
		if v.Weight[i] > 0 && u.hides(v.Cloud.At(i)) {
			v.Weight[i] = 0
			n++
		}
	}
	return n
}

// drop leaves out the points that are hidden.
func (u *unstuck) drop(c *scan.Cloud) {
	if u == nil {
		return
	}
	keep := make([]bool, c.Len())
	for i := range keep {
		keep[i] = !u.hides(c.At(i))
	}
	c.Keep(0, keep)
}

// Why says why a sticker was left in the mesh; nothing for one that was replaced.
func (b *Built) Why(s *Sticker) string {
	name := ""
	if s.By >= 0 {
		name = b.Job.Instruments[s.By].Name
	}
	switch {
	case s.Replaced():
		return ""
	case s.isBare() && math.IsNaN(s.Mesh):
		return fmt.Sprintf("%s saw bare skin, but the mesh has a hole there", name)
	case s.isBare():
		return fmt.Sprintf("%s saw bare skin, but the mesh still rises there", name)
	case s.Said.Answer == sticker.Apart:
		return fmt.Sprintf("%s saw bare skin, but too far off the skin around", name)
	case s.Said.Answer == sticker.Raised:
		return fmt.Sprintf("%s shows it as well", name)
	case s.Said.Answer == sticker.Noisy:
		return fmt.Sprintf("%s is too noisy there to tell it from bare skin", name)
	case s.Said.Answer == sticker.Sparse:
		return fmt.Sprintf("%s saw the place too sparsely", name)
	default:
		return "no other instrument saw the place"
	}
}
