// Package geom holds the small geometry that every stage shares: vectors,
// rotations, poses and boxes, all in float64 and right-handed frames.
//
// Lengths are millimetres unless a caller says otherwise; nothing here depends
// on the unit. Rotations act on column vectors, x' = R·x + t, and matrices are
// row-major. Poses are named from→to where they are used (stationToNetwork).
// The package computes; it reads no files and reports no findings.
package geom

import "math"

// Vec is a point or a direction in three dimensions.
type Vec struct{ X, Y, Z float64 }

// Add returns v + w.
func (v Vec) Add(w Vec) Vec { return Vec{v.X + w.X, v.Y + w.Y, v.Z + w.Z} }

// Sub returns v - w.
func (v Vec) Sub(w Vec) Vec { return Vec{v.X - w.X, v.Y - w.Y, v.Z - w.Z} }

// Scale returns s·v.
func (v Vec) Scale(s float64) Vec { return Vec{s * v.X, s * v.Y, s * v.Z} }

// AddScaled returns v + s·w.
func (v Vec) AddScaled(s float64, w Vec) Vec {
	return Vec{v.X + s*w.X, v.Y + s*w.Y, v.Z + s*w.Z}
}

// Dot returns the scalar product v·w.
func (v Vec) Dot(w Vec) float64 { return v.X*w.X + v.Y*w.Y + v.Z*w.Z }

// Cross returns the vector product v × w.
func (v Vec) Cross(w Vec) Vec {
	return Vec{v.Y*w.Z - v.Z*w.Y, v.Z*w.X - v.X*w.Z, v.X*w.Y - v.Y*w.X}
}

// Norm2 returns |v|².
func (v Vec) Norm2() float64 { return v.Dot(v) }

// Norm returns |v|.
func (v Vec) Norm() float64 { return math.Sqrt(v.Dot(v)) }

// Dist returns |v - w|.
func (v Vec) Dist(w Vec) float64 { return v.Sub(w).Norm() }

// Unit returns v/|v|, or the zero vector when v has no length.
func (v Vec) Unit() Vec {
	n := v.Norm()
	if n == 0 {
		return Vec{}
	}
	return v.Scale(1 / n)
}

// Min returns the component-wise minimum.
func (v Vec) Min(w Vec) Vec {
	return Vec{math.Min(v.X, w.X), math.Min(v.Y, w.Y), math.Min(v.Z, w.Z)}
}

// Max returns the component-wise maximum.
func (v Vec) Max(w Vec) Vec {
	return Vec{math.Max(v.X, w.X), math.Max(v.Y, w.Y), math.Max(v.Z, w.Z)}
}

// At returns component i: 0 is X, 1 is Y, 2 is Z.
func (v Vec) At(i int) float64 {
	switch i {
	case 0:
		return v.X
	case 1:
		return v.Y
	default:
		return v.Z
	}
}

// Array returns the components in order.
func (v Vec) Array() [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

// FromArray is the inverse of Array.
func FromArray(a [3]float64) Vec { return Vec{a[0], a[1], a[2]} }

// IsFinite reports whether no component is NaN or infinite.
func (v Vec) IsFinite() bool {
	s := v.X + v.Y + v.Z // one infinite or NaN term makes the sum so, and x-x then differs from 0
	return s-s == 0
}

// Perpendicular returns a unit vector perpendicular to v, which must not be zero.
func (v Vec) Perpendicular() Vec {
	ax, ay, az := math.Abs(v.X), math.Abs(v.Y), math.Abs(v.Z)
	switch {
	case ax <= ay && ax <= az:
		return v.Cross(Vec{X: 1}).Unit()
	case ay <= az:
		return v.Cross(Vec{Y: 1}).Unit()
	default:
		return v.Cross(Vec{Z: 1}).Unit()
	}
}

// Box is an axis-parallel box; it is empty when any Min component exceeds Max.
type Box struct{ Min, Max Vec }

// EmptyBox returns the box that holds nothing and grows with Extend.
func EmptyBox() Box {
	inf := math.Inf(1)
	return Box{Min: Vec{inf, inf, inf}, Max: Vec{-inf, -inf, -inf}}
}

// IsEmpty reports whether the box holds no point.
func (b Box) IsEmpty() bool {
	return b.Min.X > b.Max.X || b.Min.Y > b.Max.Y || b.Min.Z > b.Max.Z
}

// Extend returns the smallest box that holds b and p.
func (b Box) Extend(p Vec) Box { return Box{b.Min.Min(p), b.Max.Max(p)} }

// Union returns the smallest box that holds both.
func (b Box) Union(c Box) Box { return Box{b.Min.Min(c.Min), b.Max.Max(c.Max)} }

// Grow returns the box larger by d on every side.
func (b Box) Grow(d float64) Box {
	g := Vec{d, d, d}
	return Box{b.Min.Sub(g), b.Max.Add(g)}
}

// Contains reports whether p lies in the box, border included.
func (b Box) Contains(p Vec) bool {
	return p.X >= b.Min.X && p.X <= b.Max.X && p.Y >= b.Min.Y && p.Y <= b.Max.Y && p.Z >= b.Min.Z && p.Z <= b.Max.Z
}

// Center returns the middle of the box.
func (b Box) Center() Vec { return b.Min.Add(b.Max).Scale(0.5) }

// Size returns Max - Min.
func (b Box) Size() Vec { return b.Max.Sub(b.Min) }

// Corners returns the eight corners, x slowest and z fastest.
func (b Box) Corners() [8]Vec {
	var c [8]Vec
	for i := range c {
		c[i] = b.Min
		if i&4 != 0 {
			c[i].X = b.Max.X
		}
		if i&2 != 0 {
			c[i].Y = b.Max.Y
		}
		if i&1 != 0 {
			c[i].Z = b.Max.Z
		}
	}
	return c
}
