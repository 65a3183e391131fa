package pipeline

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

const closeUpVersion = 1

// CloseUp is what lay on the skin at one sticker and what the mesh has there.
type CloseUp struct {
	Sticker int          // index into Built.Stickers
	Before  []Above      // points of the scan that shows it, all around
	After   [][2]float64 // of the fused mesh, a raster over the same square: height above the skin and 1, or zeros where there is none
	Half    float64      // half side of the square, mm
}

// Above is a point in the frame of a sticker: along the skin and above it, mm.
type Above struct{ X, Y, H float64 }

// Raster is the number of rows and columns of CloseUp.After.
const Raster = 61

// lookAtStickers asks the fused mesh whether the skin is bare where it should be, tells
// what became of the stickers, and keeps a close-up of one.
func (r *run) lookAtStickers(ctx context.Context, b *Built) error {
	if len(b.Stickers) == 0 {
		return nil
	}
	key, err := stage.KeyOf("close-up", closeUpVersion, b.zones(), r.fusedKey)
	if err != nil {
		return err
	}
	type facts struct {
		Heights []float64 // of the mesh at each sticker
		Seen    []bool
		Close   CloseUp
	}
	f, err := stage.Run(r.store, "close-up", "job", key, stage.JSON[facts](), func() (f facts, err error) {
		parts := b.nearTriangles(r.fused)
		for i := range b.Stickers {
			h, ok := b.Stickers[i].meshHeight(parts[i])
			f.Heights, f.Seen = append(f.Heights, h), append(f.Seen, ok)
		}
		b.takeHeights(f.Heights, f.Seen)
		f.Close, err = r.closeUp(ctx, b, parts)
		return f, err
	})
	if err != nil {
		return err
	}
	b.takeHeights(f.Heights, f.Seen)
	b.CloseUp = &f.Close
	b.tellStickers()
	return nil
}

func (b *Built) takeHeights(heights []float64, seen []bool) {
	for i := range b.Stickers {
		if b.Stickers[i].Mesh = math.NaN(); seen[i] {
			b.Stickers[i].Mesh = heights[i]
		}
	}
}

// triangle in the frame of a sticker's skin.
type triangle [3]Above

// nearTriangles lists the mesh's triangles around each sticker's first piece.
func (b *Built) nearTriangles(m *scan.Mesh) [][]triangle {
	zones := make([]shown, len(b.Stickers))
	for i, s := range b.Stickers {
		zones[i].Zone = s.Zones[len(s.Zones)/2]
	}
	near := newNearZones(zones, 4*b.grain())
	out := make([][]triangle, len(zones))
	for t := range m.Triangles() {
		p, q, s := m.Corners(t)
		for _, k := range near.at[near.of(p)] {
			z := &zones[k]
			if reach := z.Reach() + p.Dist(q); p.Sub(z.At).Norm2() > reach*reach {
				continue
			}
			x := triangle{z.above(p), z.above(q), z.above(s)}
			if math.Abs(x[0].H) < mostOff {
				out[k] = append(out[k], x)
			}
		}
	}
	return out
}

// mostOff keeps other parts than the skin out, mm.
const mostOff = 3

func (s *shown) above(p geom.Vec) Above {
	x, y, h := s.Local(p)
	return Above{x, y, h}
}

// at returns the height of a triangle at a place, if it covers it.
func (t *triangle) at(x, y float64) (float64, bool) {
	ax, ay := t[1].X-t[0].X, t[1].Y-t[0].Y
	bx, by := t[2].X-t[0].X, t[2].Y-t[0].Y
	det := ax*by - ay*bx
	if !(math.Abs(det) > 1e-9) {
		return 0, false
	}
	dx, dy := x-t[0].X, y-t[0].Y
	u, v := (dx*by-dy*bx)/det, (ax*dy-ay*dx)/det
	if u < 0 || v < 0 || u+v > 1 {
		return 0, false
	}
	return t[0].H + u*(t[1].H-t[0].H) + v*(t[2].H-t[0].H), true
}

func heightAt(parts []triangle, x, y float64) (float64, bool) {
	for i := range parts {
		if h, ok := parts[i].at(x, y); ok {
			return h, true
		}
	}
	return 0, false
}

// meshHeight is the mean height of the mesh over the middle of a sticker.
func (s *Sticker) meshHeight(parts []triangle) (float64, bool) {
	z := &s.Zones[len(s.Zones)/2]
	sum, n := 0.0, 0
	const steps = 3 // five by five places over the middle half
	for i := -steps + 1; i < steps; i++ {
		for j := -steps + 1; j < steps; j++ {
			if h, ok := heightAt(parts, z.HalfX*float64(i)/(2*steps), z.HalfY*float64(j)/(2*steps)); ok {
				sum, n = sum+h, n+1
			}
		}
	}
	return sum / float64(max(n, 1)), n > 0
}

// closeUp shows the highest of the stickers that were replaced, or else of all.
func (r *run) closeUp(ctx context.Context, b *Built, parts [][]triangle) (CloseUp, error) {
	best := 0
	for i := range b.Stickers {
		s, was := &b.Stickers[i], &b.Stickers[best]
		if s.Replaced() && !was.Replaced() || s.Replaced() == was.Replaced() && s.Height > was.Height {
			best = i
		}
	}
	s := &b.Stickers[best]
	z := &shown{Zone: s.Zones[len(s.Zones)/2], File: s.File}
	out := CloseUp{Sticker: best, Half: z.Reach() / math.Sqrt2, Before: []Above{}, After: make([][2]float64, Raster*Raster)}
	for k := range out.After {
		x, y := out.At(k%Raster), out.At(k/Raster)
		if h, ok := heightAt(parts[best], x, y); ok {
			out.After[k] = [2]float64{h, 1}
		}
	}
	for _, p := range b.placedTracked() {
		if p.file != s.File {
			continue
		}
		content, err := b.read(ctx, p.file)
		if err != nil {
			return out, err
		}
		for _, q := range newNearZones([]shown{*z}, 0).gather(ctx, pointsOf(content), p.toFrame)[0] {
			if a := z.above(q); math.Abs(a.H) < mostOff {
				out.Before = append(out.Before, a)
			}
		}
	}
	return out, nil
}

// At is where a row or column of the raster lies, mm.
func (c *CloseUp) At(i int) float64 { return c.Half * (2*float64(i)/(Raster-1) - 1) }
