package fuse

import (
	"context"
	"math"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// looksFrom is a scanner at a place, unturned, with the given returns, in the common frame.
func looksFrom(at geom.Vec, returns []geom.Vec) func(ctx context.Context) (*Sight, error) {
	c := &scan.Cloud{}
	for _, p := range returns {
		c.Append(p.Sub(at))
	}
	return func(ctx context.Context) (*Sight, error) { return NewSight(ctx, c) }
}

// sheet is a square of points at a height.
func sheet(c geom.Vec, size, step float64) []geom.Vec {
	var out []geom.Vec
	n := int(size / step)
	for i := range n {
		for j := range n {
			out = append(out, c.Add(geom.Vec{X: size * ((float64(i)+0.5)/float64(n) - 0.5), Y: size * ((float64(j)+0.5)/float64(n) - 0.5)}))
		}
	}
	return out
}

// TestLooksMustBeConfirmed: a panel that one scanner saw and two others have returns behind.
// It stays where nobody else saw what is there, as of a mirror, and goes where somebody did
// who does not look that way.
func TestLooksMustBeConfirmed(t *testing.T) {
	behind := sheet(geom.Vec{Z: -900}, 2400, 15)
	for name, c := range map[string]struct {
		last []geom.Vec // what the fourth scanner, below the panel, has returns of
		gone bool
	}{
		"mirror":      {sheet(geom.Vec{X: 3000, Z: -400}, 300, 15), false},
		"seen by all": {behind, true},
	} {
		var views []View
		for i, at := range []geom.Vec{{Z: 2000}, {X: 900, Z: 1800}, {X: -900, Z: 1800}, {X: 2500, Z: -500}} {
			v := slab(600, 4, 0, 1, geom.Identity(), geom.Vec{})
			returns := behind
			switch i {
			case 0:
				returns = sheet(geom.Vec{}, 600, 10)
			case 3:
				returns = c.last
			}
			if i > 0 && i < 3 && !c.gone {
				returns = nil
				for _, q := range behind {
					if x := at.AddScaled(at.Z/(at.Z-q.Z), q.Sub(at)); max(math.Abs(x.X), math.Abs(x.Y)) < 300 {
						returns = append(returns, q) // what is seen in the panel
					}
				}
			}
			if i > 0 {
				v = slab(60, 4, 0, 1, geom.Identity(), geom.Vec{X: 5000})
			}
			// The points are in the common frame already; the place is that of the lines of sight.
			for k := range v.Cloud.X {
				p := v.Cloud.At(k).Sub(at)
				v.Cloud.X[k], v.Cloud.Y[k], v.Cloud.Z[k] = float32(p.X), float32(p.Y), float32(p.Z)
			}
			v.Cloud.Origin = geom.Vec{}
			v.ToCommon = geom.Pose{R: geom.Identity(), T: at}
			v.Sight = looksFrom(at, returns)
			views = append(views, v)
		}
		m, s := mustFuse(t, Options{Voxel: 6}, views...)
		panel := 0.0
		for k := range m.Triangles() {
			if a, b, c := m.Corners(k); a.X < 1000 {
				panel += b.Sub(a).Cross(c.Sub(a)).Norm() / 2
			}
		}
		if gone := panel < 0.05*600*600; gone != c.gone || (len(s.Ghosts) == 1) != c.gone || !c.gone && panel < 0.95*600*600 {
			t.Errorf("%s: %.0f mm² of the panel are left, ghosts %+v", name, panel, s.Ghosts)
		}
		if c.gone && (len(s.Ghosts) != 1 || s.Ghosts[0].View != 0 || math.Abs(s.Ghosts[0].Area/(600*600)-1) > 0.2 || s.Ghosts[0].Center.Norm() > 40) {
			t.Errorf("%s: listed as %+v", name, s.Ghosts)
		}
	}
}

// TestSight: a scanner in a hollow sphere of returns with a small disc before it looks past
// places well before the wall, but not beside the disc, nor where nothing came back.
func TestSight(t *testing.T) {
	c := &scan.Cloud{}
	const wall, n = 5000.0, 400_000
	for k := range n {
		z := 1 - (2*float64(k)+1)/n
		a := float64(k) * math.Pi * (3 - math.Sqrt(5))
		d := geom.Vec{X: math.Sqrt(1-z*z) * math.Cos(a), Y: math.Sqrt(1-z*z) * math.Sin(a), Z: z}
		switch r := math.Hypot(d.Y, d.Z); {
		case d.X > 0 && r < 0.03:
			c.Append(d.Scale(2000))
		case d.X < 0 && r < 0.1: // nothing came back
		default:
			c.Append(d.Scale(wall))
		}
	}
	s, err := NewSight(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range []struct {
		name string
		p    geom.Vec
		want bool
	}{
		{"halfway", geom.Vec{Y: 2500}, true},
		{"along an edge of the cube", geom.Vec{X: 1500, Y: 1500}, true},
		{"near the wall", geom.Vec{Y: wall - 50}, false},
		{"behind the wall", geom.Vec{Y: wall + 500}, false},
		{"before the disc", geom.Vec{X: 1500}, true},
		{"behind the disc", geom.Vec{X: 3000}, false},
		{"just beside the disc", geom.Vec{X: 3000, Y: 3000 * 0.034}, false},
		{"well beside the disc", geom.Vec{X: 3000, Y: 3000 * 0.06}, true},
		{"where nothing came back", geom.Vec{X: -2000}, false},
		{"at the scanner", geom.Vec{}, false},
	} {
		end, ok := s.through(q.p, 3)
		if ok != q.want {
			t.Errorf("%s: %v, want %v", q.name, ok, q.want)
		}
		if ok && q.name != "before the disc" {
			within(t, q.name+": the end", end.Norm(), wall, 1)
		}
	}
	if !s.confirms(geom.Vec{Y: wall}, 3) || s.confirms(geom.Vec{Y: wall / 2}, 3) || s.confirms(geom.Vec{X: -wall}, 3) {
		t.Error("confirms what is not there, or not what is")
	}
}
