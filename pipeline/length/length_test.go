package length

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// CV-7.1: the inch is 25.4 mm and the foot 304.8 mm exactly.
func TestParse(t *testing.T) {
	for text, want := range map[string]float64{
		"145 mm": 145, "0.145 m": 145, "5.7 in": 144.78, "1 ft": 304.8, "14.5cm": 145, " -3 m ": -3000, "1e3 mm": 1000, "+2 mm": 2, "0 mm": 0,
	} {
		got, err := Parse(text)
		if err != nil || math.Abs(got-want) > 1e-12*math.Abs(want) {
			t.Errorf("Parse(%q) = %v, %v; want %v", text, got, err, want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for text, say := range map[string]string{
		"145": "no unit", "0": "no unit", "": "not a length", "mm": "not a length", "1,5 mm": "not a length", "12 furlong": "not a unit", "NaN mm": "not a length", "Inf m": "not a length", "1 MM": "not a unit",
	} {
		if _, err := Parse(text); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("Parse(%q): error %v, want one that says %q", text, err, say)
		}
	}
}

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		mm   float64
		u    Unit
		want string
	}{{145, Millimetre, "145 mm"}, {145, Metre, "0.145 m"}, {25.4, Inch, "1 in"}, {0.0004, Millimetre, "0 mm"}, {-0.0001, Millimetre, "0 mm"}, {1.25, Unknown, "1.25 mm"}} {
		if got := Format(c.mm, c.u); got != c.want {
			t.Errorf("Format(%v, %q) = %q, want %q", c.mm, c.u, got, c.want)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mm := rapid.Float64Range(-1e5, 1e5).Draw(t, "mm")
		u := rapid.SampledFrom(Units()).Draw(t, "unit")
		back, err := Parse(Format(mm, u))
		if err != nil || math.Abs(back-mm) > 0.51e-3*max(1, u.MM()/math.Pow(10, math.Ceil(math.Log10(u.MM())))) {
			t.Fatalf("%v %s comes back as %v, %v", mm, u, back, err)
		}
	})
}

func TestParseUnit(t *testing.T) {
	for _, u := range Units() {
		if got, err := ParseUnit(string(u)); err != nil || got != u {
			t.Errorf("ParseUnit(%q) = %q, %v", u, got, err)
		}
	}
	if _, err := ParseUnit("µm"); err == nil {
		t.Error("accepted a unit that it does not know")
	}
	if Unknown.MM() != 0 {
		t.Error("the unknown unit has a size")
	}
}
