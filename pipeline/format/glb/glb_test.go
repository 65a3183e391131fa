package glb

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// pack puts a GLB together as the specification's section on the binary
// container describes it: 12 bytes of header, chunks padded to four bytes.
func pack(description string, bin []byte) []byte {
	text := []byte(description)
	for len(text)%4 != 0 {
		text = append(text, ' ')
	}
	for len(bin)%4 != 0 {
		bin = append(bin, 0)
	}
	total := 12 + 8 + len(text)
	if len(bin) > 0 {
		total += 8 + len(bin)
	}
	var raw []byte
	for _, v := range []uint32{0x46546C67, 2, uint32(total), uint32(len(text)), 0x4E4F534A} {
		raw = binary.LittleEndian.AppendUint32(raw, v)
	}
	raw = append(raw, text...)
	if len(bin) > 0 {
		raw = binary.LittleEndian.AppendUint32(raw, uint32(len(bin)))
		raw = binary.LittleEndian.AppendUint32(raw, 0x004E4942)
	}
	return append(raw, bin...)
}

func singles(v ...float32) (raw []byte) {
	for _, x := range v {
		raw = binary.LittleEndian.AppendUint32(raw, math.Float32bits(x))
	}
	return raw
}

func shorts(v ...uint16) (raw []byte) {
	for _, x := range v {
		raw = binary.LittleEndian.AppendUint16(raw, x)
	}
	return raw
}

// all reads everything into one portion.
func all(content []byte) (Portion, *File, error) {
	var sum, p Portion
	f, err := Open(bytes.NewReader(content), int64(len(content)))
	if err != nil {
		return sum, nil, err
	}
	for {
		err := f.Next(&p)
		if errors.Is(err, io.EOF) {
			return sum, f, nil
		}
		if err != nil {
			return sum, f, err
		}
		sum.X, sum.Y, sum.Z = append(sum.X, p.X...), append(sum.Y, p.Y...), append(sum.Z, p.Z...)
		sum.NX, sum.NY, sum.NZ = append(sum.NX, p.NX...), append(sum.NY, p.NY...), append(sum.NZ, p.NZ...)
		sum.RGB, sum.Tri = append(sum.RGB, p.RGB...), append(sum.Tri, p.Tri...)
	}
}

func mustAll(t *testing.T, content []byte) Portion {
	t.Helper()
	p, f, err := all(content)
	if err != nil {
		t.Fatal(err)
	}
	if int64(len(p.X)) != f.Points() || int64(len(p.Tri)) != 3*f.Triangles() {
		t.Fatalf("got %d points and %d triangles, %d and %d were announced", len(p.X), len(p.Tri)/3, f.Points(), f.Triangles())
	}
	return p
}

func (p *Portion) at(i int) geom.Vec { return geom.Vec{X: p.X[i], Y: p.Y[i], Z: p.Z[i]} }

// square is four corners in the plane z = 0, in the order of a strip.
func square() []byte { return singles(0, 0, 0, 1, 0, 0, 0, 1, 0, 1, 1, 0) }

// one describes a single mesh: node's and primitive's extra members, and the
// accessors and views behind the square's positions.
func one(node, primitive, accessors, views string, bin []byte) []byte {
	return pack(fmt.Sprintf(`{"asset":{"version":"2.0"},"scene":0,"scenes":[{"nodes":[0]}],"nodes":[{"mesh":0%s}],`+
		`"meshes":[{"primitives":[{"attributes":{"POSITION":0}%s}]}],`+
		`"accessors":[{"bufferView":0,"componentType":5126,"count":4,"type":"VEC3"}%s],`+
		`"bufferViews":[{"buffer":0,"byteLength":48}%s],"buffers":[{"byteLength":%d}]}`, node, primitive, accessors, views, len(bin)), bin)
}

func TestModes(t *testing.T) {
	for _, c := range []struct {
		name, primitive string
		want            []int64
	}{
		{"points", `,"mode":0`, nil},
		{"strip", `,"mode":5`, []int64{0, 1, 2, 1, 3, 2}}, // the specification's formula
		{"fan", `,"mode":6`, []int64{0, 1, 2, 0, 2, 3}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := mustAll(t, one("", c.primitive, "", "", square()))
			if len(p.X) != 4 || p.at(3) != (geom.Vec{X: 1, Y: 1}) || !slices.Equal(p.Tri, c.want) {
				t.Errorf("got %d points and the triangles %v, want 4 and %v", len(p.X), p.Tri, c.want)
			}
		})
	}
}

func TestIndicesOfEveryWidth(t *testing.T) {
	want := []int64{3, 1, 0, 0, 2, 3}
	for _, c := range []struct {
		kind int
		raw  []byte
	}{
		{kindUByte, []byte{3, 1, 0, 0, 2, 3}},
		{kindUShort, shorts(3, 1, 0, 0, 2, 3)},
		{kindUInt, []byte{3, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2, 0, 0, 0, 3, 0, 0, 0}},
	} {
		raw := one("", `,"indices":1`, fmt.Sprintf(`,{"bufferView":1,"componentType":%d,"count":6,"type":"SCALAR"}`, c.kind),
			fmt.Sprintf(`,{"buffer":0,"byteOffset":48,"byteLength":%d}`, len(c.raw)), append(square(), c.raw...))
		if p := mustAll(t, raw); !slices.Equal(p.Tri, want) {
			t.Errorf("component type %d: got %v, want %v", c.kind, p.Tri, want)
		}
	}
}

// TestComponentsAndStride reads positions of every component type, as fractions
// and as they are, packed and with a stride, by the formulas of the
// specification: c/127 and c/32767 not below −1, c/255, c/65535.
func TestComponentsAndStride(t *testing.T) {
	for _, c := range []struct {
		kind, stride int
		normalized   bool
		raw          []byte
		want         geom.Vec
	}{
		{kindByte, 4, false, []byte{0x80, 127, 3}, geom.Vec{X: -128, Y: 127, Z: 3}},
		{kindByte, 4, true, []byte{0x80, 127, 0}, geom.Vec{X: -1, Y: 1}},
		{kindUByte, 4, true, []byte{255, 51, 0}, geom.Vec{X: 1, Y: 0.2}},
		{kindShort, 8, false, shorts(0x8000, 5, 6), geom.Vec{X: -32768, Y: 5, Z: 6}},
		{kindShort, 8, true, shorts(0x8000, 32767, 0), geom.Vec{X: -1, Y: 1}},
		{kindUShort, 8, true, shorts(65535, 13107, 0), geom.Vec{X: 1, Y: 0.2}},
		{kindUInt, 12, false, []byte{1, 0, 0, 1, 2, 0, 0, 0, 3, 0, 0, 0}, geom.Vec{X: 1<<24 + 1, Y: 2, Z: 3}},
		{kindFloat, 20, false, singles(1.5, -2, float32(math.Inf(1))), geom.Vec{X: 1.5, Y: -2, Z: math.Inf(1)}},
	} {
		record := append(slices.Clone(c.raw), make([]byte, c.stride-len(c.raw))...)
		bin := append(make([]byte, 8), append(slices.Clone(record), c.raw...)...) // the last record without its gap
		raw := pack(fmt.Sprintf(`{"asset":{"version":"2.0"},"meshes":[{"primitives":[{"attributes":{"POSITION":0},"mode":0}]}],`+
			`"accessors":[{"bufferView":0,"byteOffset":4,"componentType":%d,"normalized":%v,"count":2,"type":"VEC3"}],`+
			`"bufferViews":[{"buffer":0,"byteOffset":4,"byteLength":%d,"byteStride":%d}],"buffers":[{"byteLength":%d}]}`,
			c.kind, c.normalized, len(bin)-4, c.stride, len(bin)), bin)
		p := mustAll(t, raw)
		for i := range 2 {
			if p.at(i) != c.want {
				t.Errorf("type %d, normalized %v, point %d: got %v, want %v", c.kind, c.normalized, i, p.at(i), c.want)
			}
		}
	}
}

func TestSparse(t *testing.T) {
	patch := append(append(square(), []byte{1, 3, 0, 0}...), singles(7, 8, 9, 10, 11, 12)...)
	views := `,{"buffer":0,"byteOffset":48,"byteLength":2},{"buffer":0,"byteOffset":52,"byteLength":24}`
	for _, c := range []struct {
		base string
		want []geom.Vec
	}{
		{`"bufferView":0,`, []geom.Vec{{}, {X: 7, Y: 8, Z: 9}, {Y: 1}, {X: 10, Y: 11, Z: 12}}},
		{"", []geom.Vec{{}, {X: 7, Y: 8, Z: 9}, {}, {X: 10, Y: 11, Z: 12}}},
	} {
		raw := pack(fmt.Sprintf(`{"asset":{"version":"2.0"},"nodes":[{"mesh":0}],"meshes":[{"primitives":[{"attributes":{"POSITION":0},"mode":0}]}],`+
			`"accessors":[{%s"componentType":5126,"count":4,"type":"VEC3","sparse":{"count":2,"indices":{"bufferView":1,"componentType":5121},"values":{"bufferView":2}}}],`+
			`"bufferViews":[{"buffer":0,"byteLength":48}%s],"buffers":[{"byteLength":76}]}`, c.base, views), patch)
		p := mustAll(t, raw)
		for i, want := range c.want {
			if p.at(i) != want {
				t.Errorf("base %q, point %d: got %v, want %v", c.base, i, p.at(i), want)
			}
		}
	}
}

// TestTransforms checks a chain of nodes: scale, quarter turn about Z, shift.
func TestTransforms(t *testing.T) {
	h := math.Sqrt2 / 2
	want := geom.Vec{X: 10 - 2*1, Y: 20 + 2*1, Z: 30} // of the corner (1, 1, 0): doubled, turned to (−2, 2, 0), shifted
	for name, node := range map[string]string{
		"translation, rotation, scale": fmt.Sprintf(`,"translation":[10,20,30],"rotation":[0,0,%v,%v],"scale":[2,2,2]`, h, h),
		"matrix, column-major":         `,"matrix":[0,2,0,0,-2,0,0,0,0,0,2,0,10,20,30,1]`,
	} {
		p := mustAll(t, one(node, `,"mode":5`, "", "", square()))
		if d := p.at(3).Dist(want); d > 1e-12 {
			t.Errorf("%s: got %v, want %v", name, p.at(3), want)
		}
	}
}

func TestMirrorKeepsTheOutsideOut(t *testing.T) {
	p := mustAll(t, one(`,"scale":[1,1,-1]`, `,"mode":5`, "", "", square()))
	for i := 0; i < len(p.Tri); i += 3 {
		a, b, c := p.at(int(p.Tri[i])), p.at(int(p.Tri[i+1])), p.at(int(p.Tri[i+2]))
		if n := b.Sub(a).Cross(c.Sub(a)); n.Z >= 0 { // +Z before the mirror is −Z after it
			t.Errorf("triangle %d looks to %v, want −Z", i/3, n)
		}
	}
}

func TestSceneIsATree(t *testing.T) {
	deep := make([]string, 3000)
	for i := range deep {
		deep[i] = fmt.Sprintf(`{"children":[%d],"translation":[1,0,0]}`, i+1)
	}
	nodes := func(list, scene string) []byte {
		return pack(`{"asset":{"version":"2.0"}`+scene+`,"nodes":[`+list+`],"meshes":[{"primitives":[{"attributes":{"POSITION":0}}]}],`+
			`"accessors":[{"bufferView":0,"componentType":5126,"count":3,"type":"VEC3"}],"bufferViews":[{"buffer":0,"byteLength":48}],"buffers":[{"byteLength":48}]}`, square())
	}
	if p := mustAll(t, nodes(strings.Join(deep, ",")+`,{"mesh":0}`, "")); p.X[0] != 3000 {
		t.Errorf("3000 nodes deep: got x = %g, want 3000", p.X[0])
	}
	if p := mustAll(t, nodes(`{"mesh":0},{"mesh":0,"translation":[5,0,0]}`, "")); len(p.X) != 6 || p.X[3] != 5 || p.Tri[3] != 3 {
		t.Errorf("one mesh in two places: got %+v", p)
	}
	if p := mustAll(t, nodes(`{"mesh":0},{"mesh":0}`, `,"scenes":[{"nodes":[]},{"nodes":[1]}],"scene":1`)); len(p.X) != 3 {
		t.Errorf("got %d points, want the 3 of the scene shown", len(p.X))
	}
	for name, raw := range map[string][]byte{
		"below itself":    nodes(`{"children":[1]},{"children":[0]}`, `,"scenes":[{"nodes":[0]}]`),
		"circle":          nodes(`{"children":[1]},{"children":[0]}`, ""),
		"twice":           nodes(`{"children":[2]},{"children":[2]},{"mesh":0}`, ""),
		"beyond":          nodes(`{"children":[7]}`, ""),
		"negative":        nodes(`{"children":[-1]}`, ""),
		"no such scene":   nodes(`{"mesh":0}`, `,"scenes":[{"nodes":[0]}],"scene":-1`),
		"zero quaternion": nodes(`{"mesh":0,"rotation":[0,0,0,0]}`, ""),
		"short matrix":    nodes(`{"mesh":0,"matrix":[1,2]}`, ""),
		"overflow":        nodes(`{"children":[1],"scale":[1e300,1,1]},{"mesh":0,"scale":[1e300,1,1]}`, ""),
	} {
		if _, _, err := all(raw); !errors.Is(err, scan.ErrFormat) {
			t.Errorf("%s: got the error %v, want a refusal", name, err)
		}
	}
}

func TestNormalsAndColours(t *testing.T) {
	bin := slices.Concat(square(), singles(0, 0, 2, 0, 0, 1, 0, 0, 1, 0, 0, 1), []byte{255, 0, 0, 255, 0, 55, 0, 255, 0, 0, 1, 255, 255, 255, 255, 255})
	raw := pack(`{"asset":{"version":"2.0"},"nodes":[{"mesh":0,"rotation":[1,0,0,0]}],"meshes":[{"primitives":[{"attributes":{"POSITION":0,"NORMAL":1,"COLOR_0":2},"mode":0}]}],`+
		`"accessors":[{"bufferView":0,"componentType":5126,"count":4,"type":"VEC3"},{"bufferView":0,"byteOffset":48,"componentType":5126,"count":4,"type":"VEC3"},`+
		`{"bufferView":0,"byteOffset":96,"componentType":5121,"normalized":true,"count":4,"type":"VEC4"}],`+
		`"bufferViews":[{"buffer":0,"byteLength":112}],"buffers":[{"byteLength":112}]}`, bin)
	// Views with two accessors of different widths need strides; the packed layout is ours alone.
	p := mustAll(t, raw)
	if p.NX[0] != 0 || p.NY[0] != 0 || p.NZ[0] != -1 {
		t.Errorf("got the normal %g %g %g, want 0 0 −1 after half a turn about X", p.NX[0], p.NY[0], p.NZ[0])
	}
	// IEC 61966-2-1: a linear 55/255 is 128 on the screen, 1/255 is 13.
	if want := []uint8{255, 0, 0, 0, 128, 0, 0, 0, 13, 255, 255, 255}; !slices.Equal(p.RGB, want) {
		t.Errorf("got the colours %v, want %v", p.RGB, want)
	}
}

func TestRefusals(t *testing.T) {
	good := one("", `,"mode":0`, "", "", square())
	edit := func(old, with string) []byte {
		description := string(good[20 : len(good)-8-48])
		if !strings.Contains(description, old) {
			t.Fatalf("%q is not in the description", old)
		}
		return pack(strings.Replace(description, old, with, 1), square())
	}
	for _, c := range []struct {
		name    string
		content []byte
		says    string
		want    error
	}{
		{"empty", nil, "ends at byte 0", scan.ErrTruncated},
		{"version 1", append([]byte("glTF\x01\x00\x00\x00"), good[8:]...), "version 1", scan.ErrFormat},
		{"cut", good[:len(good)-1], "promises", scan.ErrTruncated},
		{"not JSON", pack("{]", nil), "JSON", scan.ErrFormat},
		{"deep nesting", pack(strings.Repeat("[", 100_000), nil), "JSON", scan.ErrFormat},
		{"no version", pack("{}", nil), "version", scan.ErrFormat},
		{"compressed mesh", edit(`"scene":0`, `"extensionsRequired":["KHR_draco_mesh_compression"]`), "KHR_draco", scan.ErrFormat},
		{"external buffer", edit(`{"byteLength":48}]`, `{"byteLength":48,"uri":"a.bin"}]`), "not in the file itself", scan.ErrFormat},
		{"count of 2^53", edit(`"count":4`, `"count":9007199254740992`), "records", scan.ErrFormat},
		{"count beyond", edit(`"count":4`, `"count":5`), "need 60 bytes", scan.ErrTruncated},
		{"negative offset", edit(`"buffer":0`, `"buffer":0,"byteOffset":-8`), "promises", scan.ErrTruncated},
		{"huge offset", edit(`"buffer":0`, `"buffer":0,"byteOffset":9223372036854775807`), "promises", scan.ErrTruncated},
		{"huge length", edit(`"byteLength":48}]`, `"byteLength":9223372036854775807}]`), "promises", scan.ErrTruncated},
		{"huge stride", edit(`"buffer":0`, `"buffer":0,"byteStride":9223372036854775807`), "stride", scan.ErrFormat},
		{"two-dimensional", edit(`VEC3`, `VEC2`), "does not belong", scan.ErrFormat},
		{"no such type", edit(`5126`, `5124`), "does not belong", scan.ErrFormat},
		{"no such accessor", edit(`"POSITION":0`, `"POSITION":1`), "accessor 1 of 1", scan.ErrFormat},
		{"corners left over", edit(`,"mode":0`, ``), "no whole triangles", scan.ErrFormat},
		{"many objects", pack(`{"asset":{"version":"2.0"},"nodes":[`+strings.Repeat("{},", 200_000)+`{}]}`, nil), "objects", scan.ErrFormat},
		{"long description", pack(strings.Repeat(" ", 5<<20), nil), "description is", scan.ErrFormat},
		{"zeros out of nothing", pack(`{"asset":{"version":"2.0"},"meshes":[{"primitives":[{"attributes":{"POSITION":0},"mode":0}]}],"accessors":[{"componentType":5126,"count":4000000000,"type":"VEC3"}]}`, nil), "unfolds", scan.ErrFormat},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, _, err := all(c.content)
			if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("got %v, want %v with %q", err, c.want, c.says)
			}
		})
	}
}

func TestUnknownChunksAndTail(t *testing.T) {
	raw := one("", `,"mode":0`, "", "", square())
	raw = append(raw, 4, 0, 0, 0, 'X', 'Y', 'Z', '!', 1, 2, 3, 4)
	binary.LittleEndian.PutUint32(raw[8:], uint32(len(raw)))
	if p := mustAll(t, raw); len(p.X) != 4 {
		t.Errorf("an unknown chunk behind: got %d points, want 4", len(p.X))
	}
	_, f, err := all(append(raw, 0, 0))
	if err != nil || len(f.Notes()) != 1 {
		t.Errorf("two bytes behind the end: got %v and %d notes, want one", err, len(f.Notes()))
	}
}
