package glb

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
)

// A description may hold jsonFree bytes, and an eighth of the file beyond: real
// ones of scans are below a kilobyte, those of large assemblies a few megabytes.
// mostObjects bounds what 3 bytes of text can cost in memory.
const (
	jsonFree    = 4 << 20
	jsonShare   = 8
	mostObjects = 1 << 17
)

// document is what is used of a glTF description. Indices that are absent are
// nil, since zero is one.
type document struct {
	Asset              struct{ Version string } `json:"asset"`
	Scene              *int                     `json:"scene"`
	Scenes             []sceneList              `json:"scenes"`
	Nodes              []node                   `json:"nodes"`
	Meshes             []mesh                   `json:"meshes"`
	Accessors          []accessor               `json:"accessors"`
	BufferViews        []bufferView             `json:"bufferViews"`
	Buffers            []buffer                 `json:"buffers"`
	ExtensionsRequired []string                 `json:"extensionsRequired"`
}

type sceneList struct {
	Nodes []int `json:"nodes"`
}

type node struct {
	Children    []int     `json:"children"`
	Mesh        *int      `json:"mesh"`
	Skin        *int      `json:"skin"`
	Matrix      []float64 `json:"matrix"`
	Translation []float64 `json:"translation"`
	Rotation    []float64 `json:"rotation"`
	Scale       []float64 `json:"scale"`
}

type mesh struct {
	Primitives []primitive `json:"primitives"`
}

type primitive struct {
	Attributes struct {
		Position *int `json:"POSITION"`
		Normal   *int `json:"NORMAL"`
		Colour   *int `json:"COLOR_0"`
	} `json:"attributes"`
	Indices *int   `json:"indices"`
	Mode    *int64 `json:"mode"`
}

type accessor struct {
	BufferView    *int    `json:"bufferView"`
	ByteOffset    int64   `json:"byteOffset"`
	ComponentType int64   `json:"componentType"`
	Normalized    bool    `json:"normalized"`
	Count         int64   `json:"count"`
	Type          string  `json:"type"`
	Sparse        *sparse `json:"sparse"`
}

type sparse struct {
	Count   int64 `json:"count"`
	Indices struct {
		BufferView    int   `json:"bufferView"`
		ByteOffset    int64 `json:"byteOffset"`
		ComponentType int64 `json:"componentType"`
	} `json:"indices"`
	Values struct {
		BufferView int   `json:"bufferView"`
		ByteOffset int64 `json:"byteOffset"`
	} `json:"values"`
}

type bufferView struct {
	Buffer     int   `json:"buffer"`
	ByteOffset int64 `json:"byteOffset"`
	ByteLength int64 `json:"byteLength"`
	ByteStride int64 `json:"byteStride"`
}

type buffer struct {
	URI        *string `json:"uri"`
	ByteLength int64   `json:"byteLength"`
}

// parse reads the description and refuses what cannot be read faithfully.
func parse(raw []byte) (document, error) {
	var d document
	if bytes.Count(raw, []byte{'{'})+bytes.Count(raw, []byte("null")) > mostObjects {
		return d, broken("its description holds more than %d objects", mostObjects)
	}
	if err := json.Unmarshal(bytes.TrimRight(raw, "\x00"), &d); err != nil {
		return d, broken("its description is not readable JSON: %v", err)
	}
	if v := d.Asset.Version; v != "2" && !strings.HasPrefix(v, "2.") {
		return d, broken("its description is of glTF version %q; only 2.x is read", clip(v))
	}
	for _, e := range d.ExtensionsRequired {
		if !isHarmless(e) {
			return d, broken("it requires the extension %q, which is not read; export it without compression or extensions", clip(e))
		}
	}
	return d, nil
}

// isHarmless reports whether an extension leaves points and triangles as they
// are. KHR_mesh_quantization only allows more component types, all of which are
// read anyway.
func isHarmless(extension string) bool {
	harmless := []string{"KHR_mesh_quantization", "KHR_materials_", "KHR_texture_", "KHR_lights_", "EXT_texture_", "EXT_lights_", "KHR_xmp", "KHR_animation_"}
	return slices.ContainsFunc(harmless, func(prefix string) bool { return strings.HasPrefix(extension, prefix) })
}

func clip(s string) string {
	if len(s) > 40 {
		return s[:40] + "…"
	}
	return s
}
