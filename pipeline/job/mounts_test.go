package job

import (
	"errors"
	"strings"
	"testing"

	"trammel/pipeline/geom"
)

// sheetWith returns a good sheet with these mounts.
func sheetWith(mounts ...string) string {
	return "job: a\nunits: mm\ninstruments: [{name: t, kind: station, drop: s, register: given}]\nmounts:\n  - " + strings.Join(mounts, "\n  - ") + "\n"
}

const here = "near: [0 mm, 0 mm, 0 mm], within: 60 mm, "

func TestKindsOfMounts(t *testing.T) {
	s, err := ParseSheet("job.yaml", []byte(sheetWith(
		"{name: a, "+here+"expect: slot, width: 13 mm, length: 30 mm, at: [1 mm, 2 mm, 3 mm], position: 0.5 mm}",
		"{name: b, "+here+"expect: countersink, diameter: 9 mm}",
		"{name: c, "+here+"expect: threaded, diameter: 8.4 mm}",
		"{name: d, "+here+"expect: pattern, shape: circle, holes: 6, circle: 100 mm, diameter: 9 mm}",
		"{name: e, "+here+"expect: pattern, shape: rectangle, pitch: [80 mm, 60 mm]}",
		"{name: f, "+here+"expect: pattern, shape: list, places: [[0 mm, 0 mm, 0 mm], [0 mm, 1 in, 0 mm]], position: 0.4 mm}")))
	if err != nil {
		t.Fatal(err)
	}
	if m := s.Mounts[0]; m.Width != 13 || m.Length != 30 || m.Nominal() != (geom.Vec{X: 1, Y: 2, Z: 3}) || m.Position != 0.5 {
		t.Errorf("slot: %+v", m)
	}
	if m := s.Mounts[3]; m.Holes != 6 || m.Shape != OnCircle || m.Circle != 100 || m.MemberName(6) != "d-6" {
		t.Errorf("circle: %+v", m)
	}
	if m := s.Mounts[4]; m.Holes != 4 || m.Pitch[1] != 60 {
		t.Errorf("rectangle: %+v", m)
	}
	if m := s.Mounts[5]; m.Holes != 2 || m.Places[1].Y != 25.4 {
		t.Errorf("list: %+v", m)
	}
}

// TestContradictingMounts: the error names the key and the cure.
func TestContradictingMounts(t *testing.T) {
	cases := []struct{ mount, key, say string }{
		{"expect: hole, width: 13 mm", "mounts[0].width", "leave it out, or expect slot"},
		{"expect: slot, diameter: 13 mm", "mounts[0].diameter", "a slot has none"},
		{"expect: slot, width: 13 mm, length: 13 mm", "mounts[0].length", "over all"},
		{"expect: plane, position: 1 mm", "mounts[0].position", "a plane has none"},
		{"expect: hole, position: 1", "mounts[0].position", "no unit"},
		{"expect: hole, positin: 1 mm", "mounts[0].positin", "did you mean position?"},
		{"expect: oval", "mounts[0].expect", "slot"},
		{"expect: hole, shape: circle", "mounts[0].shape", "expect pattern"},
		{"expect: pattern, holes: 4", "mounts[0].shape", "nothing says how"},
		{"expect: pattern, shape: circle", "mounts[0].holes", "from 3 to 100"},
		{"expect: pattern, shape: rectangle, holes: 5", "mounts[0].holes", "four corners"},
		{"expect: pattern, shape: rectangle, circle: 50 mm", "mounts[0].circle", "shape: circle"},
		{"expect: pattern, shape: rectangle, pitch: [80 mm]", "mounts[0].pitch", "two sides"},
		{"expect: pattern, shape: list, holes: 3, places: [[0 mm, 0 mm, 0 mm], [9 mm, 0 mm, 0 mm]]", "mounts[0].places", "2 places are listed for 3 holes"},
		{"expect: pattern, shape: circle, holes: 6, circle: 130 mm", "mounts[0].within", "at least 65 mm"},
		{"expect: pattern, shape: circle, holes: 6, position: 1 mm", "mounts[0].at", "nominal place"},
	}
	for _, c := range cases {
		_, err := ParseSheet("job.yaml", []byte(sheetWith("{name: a, "+here+c.mount+"}")))
		var sheet *SheetError
		if !errors.As(err, &sheet) {
			t.Errorf("%s: got %v", c.mount, err)
			continue
		}
		if p := sheet.Problems[0]; p.Key != c.key || p.Line != 5 || !strings.Contains(p.Wrong+p.Right, c.say) {
			t.Errorf("%s: want key %s and %q, got %+v", c.mount, c.key, c.say, p)
		}
	}
}

func TestPatternMembersNeedTheirNames(t *testing.T) {
	_, err := ParseSheet("job.yaml", []byte(sheetWith("{name: a, "+here+"expect: pattern, shape: rectangle}", "{name: a-3, "+here+"expect: hole}")))
	if err == nil || !strings.Contains(err.Error(), `hole 3 of the pattern will be called "a-3"`) {
		t.Errorf("got %v", err)
	}
}
