package picture

import (
	"bytes"
	"math"
	"testing"

	"trammel/pipeline/geom"
)

func apart(places int, shift geom.Vec) *Apart {
	a := &Apart{Title: "s02 against s01", Because: "a shift of 3 mm would take off 2.1 mm rms", Limit: 3, Unit: "mm", Shift: shift}
	for i := range places {
		t := float64(i) / float64(max(places, 1))
		p := geom.Vec{X: 4000 * t, Y: 900 * math.Sin(9*t), Z: 700 + 300*math.Cos(20*t)}
		a.Places = append(a.Places, Distance{At: p, Value: 4 * math.Sin(6*t)})
	}
	return a
}

func TestApartIsTheSameEachTime(t *testing.T) {
	for name, a := range map[string]*Apart{
		"usual": apart(150, geom.Vec{X: 2, Y: -1, Z: 0.5}), "no shift": apart(20, geom.Vec{}), "nothing": apart(0, geom.Vec{X: 1}),
		"not finite": {Title: "x", Places: []Distance{{At: geom.Vec{X: math.NaN()}, Value: math.Inf(1)}}, Limit: math.NaN(), Shift: geom.Vec{X: math.Inf(1)}},
	} {
		var first, second, svg bytes.Buffer
		for _, out := range []*bytes.Buffer{&first, &second} {
			if err := PNG(out, a, 100); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		if err := SVG(&svg, a); err != nil || svg.Len() == 0 {
			t.Errorf("%s: %v", name, err)
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) {
			t.Errorf("%s: two drawings differ", name)
		}
	}
}

// Dots far from zero have another colour than those near it, and both are there.
func TestApartColours(t *testing.T) {
	var few, many bytes.Buffer
	a := apart(150, geom.Vec{})
	for i := range a.Places {
		a.Places[i].Value = 0
	}
	if err := SVG(&few, a); err != nil {
		t.Fatal(err)
	}
	a.Places[40].Value = 5
	if err := SVG(&many, a); err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(few.Bytes(), many.Bytes()) {
		t.Error("a place 5 mm apart looks like all the others")
	}
}
