// Package glb reads and writes GLB, the binary form of glTF 2.0. A file comes in
// and portions of points and triangles in metres go out (File.Next); meshes in
// millimetres come in and a file goes out (Write).
//
// Reading walks the node tree of the scene, takes every mesh with the transform
// of its node, and streams the accessors' bytes through a small buffer, so that
// memory does not grow with the file. The frame stays the one of the file: +Y is
// up as the format has it, and what turns a Z-up object into it is a node
// transform like any other, which is applied. A file that Write made therefore
// reads back turned by a quarter about X; the inverse of YUp turns it back.
//
// Source: Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022), with its
// section on the binary container; IEC 61966-2-1 for colours.
//
// Refused with scan.ErrFormat or scan.ErrTruncated and a sentence: geometry in
// other files or in data URIs, extensions that are required and change geometry
// (compressed meshes), node graphs that are no trees, accessors that reach out of
// their bytes, and files that unfold to far more than their size. Materials,
// textures, animation and skins are passed over: the pose at rest is read.
package glb

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"trammel/pipeline/scan"
)

const (
	magic     = 0x46546C67 // "glTF"
	chunkJSON = 0x4E4F534A // "JSON"
	chunkBIN  = 0x004E4942 // "BIN\0"
	headSize  = 12
	chunkHead = 8
)

// File is an opened GLB. It is not safe for concurrent use.
type File struct {
	content   io.ReaderAt
	bin       span // of the BIN chunk in the file; empty where there is none
	doc       document
	parts     []part
	notes     []string
	points    int64
	triangles int64
	limit     int64 // bytes that the scene may unfold to
	columns   columns
	cursor    cursor
}

// span is a stretch of the file.
type span struct{ at, size int64 }

// columns says what every part of the scene has.
type columns struct{ normals, colours bool }

// Open reads the header, the description and the node tree of a GLB of the given
// size in bytes. Points and triangles are not read yet.
func Open(content io.ReaderAt, size int64) (*File, error) {
	f := &File{content: content, limit: unfoldFree + unfoldRatio*size}
	total, err := f.header(size)
	if err != nil {
		return nil, err
	}
	raw, err := f.chunks(total, size)
	if err != nil {
		return nil, err
	}
	if f.doc, err = parse(raw); err != nil {
		return nil, err
	}
	return f, f.survey()
}

// Points returns the number of points that Next will hand out.
func (f *File) Points() int64 { return f.points }

// Triangles returns the number of triangles that Next will hand out.
func (f *File) Triangles() int64 { return f.triangles }

// Notes returns full sentences on what was passed over.
func (f *File) Notes() []string { return f.notes }

// header checks the first twelve bytes and returns the length they announce.
func (f *File) header(size int64) (int64, error) {
	var raw [headSize]byte
	if err := f.read(raw[:], 0); err != nil {
		return 0, err
	}
	if binary.LittleEndian.Uint32(raw[:]) != magic {
		return 0, broken("it does not begin with glTF")
	}
	if v := binary.LittleEndian.Uint32(raw[4:]); v != 2 {
		return 0, broken("it is binary glTF of version %d; only version 2 is read", v)
	}
	total := int64(binary.LittleEndian.Uint32(raw[8:]))
	switch {
	case total > size:
		return 0, short("the GLB header promises %d bytes, %d are there", total, size)
	case total < headSize+chunkHead:
		return 0, broken("the GLB header says that it is %d bytes long", total)
	case total < size:
		f.notes = append(f.notes, fmt.Sprintf("There are %d bytes behind the end that the header names; they are left out.", size-total))
	}
	return total, nil
}

// chunks finds the first two chunks and returns the description's bytes.
func (f *File) chunks(total, size int64) ([]byte, error) {
	at, kind, length, err := f.chunk(headSize, total)
	if err != nil {
		return nil, err
	}
	if kind != chunkJSON {
		return nil, broken("the first chunk of the GLB is not its description")
	}
	if most := jsonFree + size/jsonShare; length > most {
		return nil, broken("its description is %d bytes long; more than %d are not read", length, most)
	}
	raw := make([]byte, length)
	if err := f.read(raw, at); err != nil {
		return nil, err
	}
	next := at + (length+3)&^3
	if next+chunkHead > total {
		return raw, nil
	}
	at, kind, length, err = f.chunk(next, total)
	if err != nil {
		return nil, err
	}
	if kind == chunkBIN {
		f.bin = span{at, length}
	}
	return raw, nil
}

func (f *File) chunk(at, total int64) (data int64, kind uint32, length int64, err error) {
	var raw [chunkHead]byte
	if err := f.read(raw[:], at); err != nil {
		return 0, 0, 0, err
	}
	length = int64(binary.LittleEndian.Uint32(raw[:]))
	kind = binary.LittleEndian.Uint32(raw[4:])
	data = at + chunkHead
	if length > total-data {
		return 0, 0, 0, short("a chunk of the GLB promises %d bytes, %d are left", length, total-data)
	}
	return data, kind, length, nil
}

// read fills p from the file at the offset.
func (f *File) read(p []byte, at int64) error {
	n, err := f.content.ReadAt(p, at)
	switch {
	case n == len(p):
		return nil
	case err == nil || errors.Is(err, io.EOF):
		return short("the GLB ends at byte %d, within what it promises", at+int64(n))
	default:
		return fmt.Errorf("read GLB: %w", err)
	}
}

// broken says what is wrong with the content of a file.
func broken(text string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(text, args...), scan.ErrFormat)
}

// short says what a file promises and what is there of it.
func short(text string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(text, args...), scan.ErrTruncated)
}
