package format

import (
	"slices"
	"testing"
)

func TestOBJCorners(t *testing.T) {
	const points = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n"
	for face, want := range map[string][]int32{
		"f 1 2 3":                    {0, 1, 2},
		"f\t+1/7/8\t2//3  3/4 ":      {0, 1, 2},
		"f 1 2 3 # a remark":         {0, 1, 2},
		"f -4 -3 -2 -1":              {0, 1, 2, 0, 2, 3},
		"f 1 \\\n2 \\\n  3 4":        {0, 1, 2, 0, 2, 3},
		"fo 1 2 3":                   {0, 1, 2},
		"f 4 3 2\nv 5 5 5\nf -1 1 2": {3, 2, 1, 4, 0, 1},
	} {
		if c := mustParse(t, "a.obj", points+face+"\n"); c.Mesh == nil || !slices.Equal(c.Mesh.Tri, want) {
			t.Errorf("%q: got %+v, want %v", face, c.Mesh, want)
		}
	}
	for _, face := range []string{"f 0 1 2", "f 1 2", "f", "f 1 2 x", "f 1 2 3x", "f 1 2 -", "f 1 2 -5", "f 1 2 /3", "f 1 2 5",
		"f 1 2 9223372036854775808", "f 1 2 99999999999999999999", "f 1 2 -9223372036854775808", "f 1 2 2147483649", "f 1 2 1.5"} {
		_, err := parse(t, "a.obj", points+face+"\n", 1)
		mustRefuse(t, err, "")
	}
}

// Everything of the format that is no geometry of polygons is passed over, and a
// word that it does not know is counted.
func TestOBJPassesOver(t *testing.T) {
	c := mustParse(t, "a.obj", "mtllib a.mtl\no a\nv 0 0 0 1.0\nv 1 0 0 0.5\nv 0 1 0 1\nvt 0 0\nvn 0 0 1\ng a b\ns off\nusemtl x\nl 1 2\np 1\nsurprise 1\nf 1 2 3\n")
	if c.Mesh == nil || c.Mesh.Area() != 0.5 || !slices.Equal(c.About.Notes, []string{"1 lines are not of the OBJ format and were passed over."}) {
		t.Errorf("got %+v, %v", c.Mesh, c.About.Notes)
	}
}
