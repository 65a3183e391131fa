package picture

import (
	"bytes"
	"math"
	"testing"

	"trammel/pipeline/geom"
)

func gapsOfAFrame() *Gaps {
	g := &Gaps{Title: "What was not seen", Object: geom.Box{Min: geom.Vec{X: -2200, Y: -1050, Z: 30}, Max: geom.Vec{X: 2700, Y: 1050, Z: 2300}}}
	for k := range 3 {
		var o Opening
		o.Kind = k
		for i := range 40 {
			a := float64(i) * math.Pi / 20
			o.Edge = append(o.Edge, geom.Vec{X: -1500 + 1500*float64(k) + 500*math.Cos(a), Y: 400 * math.Sin(a), Z: 1000 + 300*math.Sin(a+1)})
		}
		g.Gaps = append(g.Gaps, o)
	}
	for i := range 8 {
		a := float64(i) * math.Pi / 4
		g.SetUps = append(g.SetUps, geom.Vec{X: 4300 * math.Cos(a), Y: 3900 * math.Sin(a), Z: 600 + 1300*float64(i%2)})
	}
	g.Next = &geom.Vec{X: 200, Y: -3600, Z: 2000}
	return g
}

func TestGapsAreTheSameEachTime(t *testing.T) {
	bare := gapsOfAFrame()
	bare.Gaps, bare.Next, bare.SetUps = nil, nil, nil
	wild := gapsOfAFrame()
	wild.Gaps[0].Edge[3] = geom.Vec{X: math.NaN(), Y: math.Inf(1)}
	wild.SetUps[0].X = math.Inf(-1)
	wild.Gaps[1].Kind = 77
	for name, g := range map[string]*Gaps{"usual": gapsOfAFrame(), "bare": bare, "wild": wild, "empty": {}} {
		var first, second, svg bytes.Buffer
		for _, out := range []*bytes.Buffer{&first, &second} {
			if err := PNG(out, g, 100); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		if err := SVG(&svg, g); err != nil || svg.Len() == 0 {
			t.Errorf("%s: %v", name, err)
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) {
			t.Errorf("%s: two drawings differ", name)
		}
	}
}

// Each kind of gap looks unlike the others, and one that is not there unlike one that is.
func TestGapsTellKindsApart(t *testing.T) {
	seen := map[string]int{}
	for kind := range len(openings) + 1 {
		g := gapsOfAFrame()
		g.Gaps = g.Gaps[:1]
		if kind == len(openings) {
			g.Gaps = nil
		} else {
			g.Gaps[0].Kind = kind
		}
		var svg bytes.Buffer
		if err := SVG(&svg, g); err != nil {
			t.Fatal(err)
		}
		if other, ok := seen[svg.String()]; ok {
			t.Errorf("kinds %d and %d look alike", other, kind)
		}
		seen[svg.String()] = kind
	}
}
