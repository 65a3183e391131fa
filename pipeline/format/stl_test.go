package format

import (
	"strings"
	"testing"
)

const oneFacet = "solid a\n facet normal 0 0 1\n outer loop\n vertex 0 0 0\n vertex 1 0 0\n vertex 0 1 0\n endloop\n endfacet\nendsolid a\n"

// An ascii STL is words between blanks, however they are spread over lines.
func TestASCIISTLInAnyLines(t *testing.T) {
	facet, _, _ := strings.Cut(strings.TrimPrefix(oneFacet, "solid a\n"), "endsolid")
	for name, content := range map[string]string{
		"as usual":       oneFacet,
		"one line":       "solid a\n" + strings.ReplaceAll(facet, "\n", " ") + "endsolid a\n",
		"capitals":       strings.ToUpper(oneFacet),
		"CR LF and tabs": strings.ReplaceAll(strings.ReplaceAll(oneFacet, " ", "\t"), "\n", "\r\n"),
		"no names":       strings.ReplaceAll(oneFacet, "solid a", "solid"),
		"more behind":    strings.Replace(oneFacet, "vertex 0 1 0", "vertex 0 1 0 255 0 0", 1),
	} {
		if c := mustParse(t, "a.stl", content); c.Mesh == nil || c.Mesh.Area() != 0.5 {
			t.Errorf("%s: got %+v, want the triangle", name, c.Mesh)
		}
	}
	for _, content := range map[string]string{
		"two corners": strings.Replace(oneFacet, " vertex 1 0 0\n", "", 1),
		"a word":      strings.Replace(oneFacet, "1 0 0", "1 zero 0", 1),
		"another":     strings.Replace(oneFacet, "outer", "inner", 1),
	} {
		_, err := parse(t, "a.stl", content, 1)
		mustRefuse(t, err, "after 0 facets")
	}
}

// A binary STL may call itself solid; its structure tells.
func TestBinarySTLThatSaysSolid(t *testing.T) {
	head := "solid facet endsolid" + strings.Repeat(" ", 60)
	content := head + "\x01\x00\x00\x00" + strings.Repeat("\x00", 24) + "\x00\x00\x80\x3f" + strings.Repeat("\x00", 12) + "\x00\x00\x80\x3f\x00\x00\x00\x00\x00\x00"
	for _, name := range []string{"a.stl", "a.txt"} {
		if c := mustParse(t, name, content); c.Mesh == nil || c.Mesh.Area() != 0.5 || c.About.Encoding == "ascii" {
			t.Errorf("%s: got %+v", name, c)
		}
	}
}
