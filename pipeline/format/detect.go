package format

import (
	"bytes"
	"encoding/binary"
	"path/filepath"
	"strings"
)

// detectHead is how much of a file is looked at to tell its format: enough for
// the licence text that some programs put before the first data line.
const detectHead = 64 << 10

// detect tells the format of a file by its content, and where that leaves it
// open by its name. Formats that are known but not read are refused by name.
func detect(src *source, name string) (string, error) {
	head := src.peek(min(detectHead, len(src.buf)))
	if len(head) == 0 {
		if err := src.fault(); err != nil {
			return "", err
		}
		return "", broken("the file is empty")
	}
	if kind := magic(head); kind != "" {
		return known(kind)
	}
	extension := strings.ToLower(filepath.Ext(name))
	if !isText(head) {
		if isBinarySTL(head, src.size) || extension == ".stl" {
			return "stl", nil
		}
		return "", broken("its content is binary and neither PLY nor STL")
	}
	return detectText(head, extension)
}

// magic tells the formats that begin with a fixed mark.
func magic(head []byte) string {
	marks := []struct{ mark, kind string }{
		{"ply\n", "ply"}, {"ply\r", "ply"}, {"ply ", "ply"},
		{"ASTM-E57", "e57"}, {"LASF", "las"}, {"glTF", "glb"}, {"PK\x03\x04", "zip"},
		{"# .PCD", "pcd"},
	}
	for _, m := range marks {
		if bytes.HasPrefix(head, []byte(m.mark)) {
			return m.kind
		}
	}
	if isPCD(head) {
		return "pcd"
	}
	return ""
}

// isPCD reports whether the content has the lines of a PCD header, whatever
// comment stands before them.
func isPCD(head []byte) bool {
	fields, data := false, false
	for line := range bytes.Lines(head[:min(len(head), 4096)]) {
		fields = fields || bytes.HasPrefix(line, []byte("FIELDS ")) || bytes.HasPrefix(line, []byte("COLUMNS "))
		data = data || bytes.HasPrefix(line, []byte("DATA "))
	}
	return fields && data
}

func known(kind string) (string, error) {
	if kind == "zip" {
		return "", broken("this is a zip archive; unpack it into the drop folder")
	}
	return kind, nil
}

// isText reports whether head looks like text: no zero bytes, next to no control
// characters. Bytes above 127 pass, since comments come in any encoding.
func isText(head []byte) bool {
	odd := 0
	for _, c := range head {
		if c == 0 {
			return false
		}
		if c < ' ' && c != '\n' && !isBlank(c) {
			odd++
		}
	}
	return odd*100 <= len(head)
}

// isBinarySTL tests the structure of a binary STL: 84 bytes and 50 a triangle.
// Up to 49 surplus bytes are let pass, which some programs add.
func isBinarySTL(head []byte, size int64) bool {
	if len(head) < 84 || size == Unsaid {
		return false
	}
	surplus := size - 84 - 50*int64(binary.LittleEndian.Uint32(head[80:]))
	return surplus >= 0 && surplus < 50
}

func detectText(head []byte, extension string) (string, error) {
	head = bytes.TrimPrefix(head, []byte("\xef\xbb\xbf"))
	if isASCIISTL(head) {
		return "stl", nil
	}
	vertices, numbers := 0, 0
	for line := range bytes.Lines(head) {
		first, rest := word(bytes.TrimRight(line, "\r\n"))
		switch string(first) {
		case "v":
			if _, _, ok := number(rest); ok {
				vertices++
			}
		case "mtllib", "usemtl":
			vertices++
		default:
			if startsWithNumbers(line) {
				numbers++
			}
		}
	}
	switch {
	case vertices > 0 && vertices >= numbers, extension == ".obj":
		return "obj", nil
	case numbers > 0:
		return "text", nil
	case extension == ".stl":
		return "", broken("it is text, but has no solid with facets as an ascii STL would")
	default:
		return "", broken("it is text without a line of three numbers")
	}
}

func isASCIISTL(head []byte) bool {
	first, _ := word(bytes.TrimLeft(head[:min(len(head), 4096)], " \t\r\n"))
	first, _, _ = bytes.Cut(first, []byte("\n"))
	lower := bytes.ToLower(head)
	return bytes.EqualFold(first, []byte("solid")) && (bytes.Contains(lower, []byte("facet")) || bytes.Contains(lower, []byte("endsolid")))
}

// startsWithNumbers reports whether a line holds three numbers in a row from its
// start, in any of the separators that text scans use.
func startsWithNumbers(line []byte) bool {
	t := strings.FieldsFunc(string(line[:min(len(line), 512)]), func(r rune) bool {
		return strings.ContainsRune(" \t\r\n,;|", r)
	})
	if len(t) < 3 {
		return false
	}
	for _, f := range t[:3] {
		if _, ok := parseNumber(f); !ok {
			return false
		}
	}
	return true
}
