package job

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
)

// SheetName is the file name of the job sheet in a job folder.
const SheetName = "job.yaml"

// maxSheetBytes bounds what is read as a job sheet: a real one has a few
// kilobytes, and a larger file is not one.
const maxSheetBytes = 1 << 20

// Problem is one thing wrong with a sheet.
type Problem struct {
	Line  int    `json:"line"`  // counted from 1; 0 when no line is to blame
	Key   string `json:"key"`   // dotted, with indices, such as instruments[0].drop
	Wrong string `json:"wrong"` // what is wrong
	Right string `json:"right"` // what would be right
}

// SheetError lists everything that is wrong with a sheet or config file.
type SheetError struct {
	File     string
	Problems []Problem
}

// Error gives one line per problem: file, line, key, wrong and right.
func (e *SheetError) Error() string {
	lines := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		at := e.File
		if p.Line > 0 {
			at += ":" + strconv.Itoa(p.Line)
		}
		key := ""
		if p.Key != "" {
			key = " " + p.Key + ":"
		}
		lines[i] = fmt.Sprintf("%s:%s %s; %s", at, key, p.Wrong, p.Right)
	}
	return strings.Join(lines, "\n")
}

// ReadSheet reads and checks the sheet at path. A sheet that is wrong gives a
// *SheetError; a file that cannot be read gives the error of the system.
func ReadSheet(path string) (*Sheet, []byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, err
	}
	text, err := io.ReadAll(io.LimitReader(f, maxSheetBytes+1))
	if err := errors.Join(err, f.Close()); err != nil {
		return nil, nil, fmt.Errorf("read job sheet %s: %w", path, err)
	}
	s, err := ParseSheet(path, text)
	return s, text, err
}

// ParseSheet decodes and checks the text of a sheet; name stands in messages.
func ParseSheet(name string, text []byte) (*Sheet, error) {
	d := &decoder{file: name}
	root := d.document(text)
	if root == nil {
		return nil, d.err()
	}
	s := d.sheet(root)
	if err := d.err(); err != nil {
		return nil, err
	}
	return s, nil
}

// decoder walks the YAML tree and collects problems.
type decoder struct {
	file     string
	problems []Problem
}

func (d *decoder) err() error {
	if len(d.problems) == 0 {
		return nil
	}
	return &SheetError{File: d.file, Problems: d.problems}
}

func (d *decoder) bad(n *yaml.Node, key, right, wrong string, args ...any) {
	line := 0
	if n != nil {
		line = n.Line
	}
	d.problems = append(d.problems, Problem{Line: line, Key: key, Wrong: fmt.Sprintf(wrong, args...), Right: right})
}

func (d *decoder) document(text []byte) *yaml.Node {
	if len(text) > maxSheetBytes {
		d.bad(nil, "", "a job sheet has a few kilobytes; is this another file?", "it is larger than %d bytes", maxSheetBytes)
		return nil
	}
	dec := yaml.NewDecoder(bytes.NewReader(text))
	var doc, more yaml.Node
	err := dec.Decode(&doc)
	if errors.Is(err, io.EOF) || err == nil && len(doc.Content) == 0 {
		d.bad(nil, "", "write one with: trammel new JOBDIR", "the job sheet is empty")
		return nil
	}
	if err != nil {
		d.bad(nil, "", "mend the YAML: indentation by spaces, a colon and a space after each key", "%s", strings.TrimPrefix(err.Error(), "yaml: "))
		return nil
	}
	if err := dec.Decode(&more); !errors.Is(err, io.EOF) {
		d.bad(nil, "", "keep one document without a second ---", "the sheet holds more than one YAML document")
		return nil
	}
	return doc.Content[0]
}

// field is a key of a mapping and what decodes it.
type field struct {
	key      string
	required bool
	decode   func(n *yaml.Node, key string)
}

// mapping decodes a mapping strictly: each key at most once, none unknown.
func (d *decoder) mapping(n *yaml.Node, key string, fields ...field) {
	if n.Kind != yaml.MappingNode {
		d.bad(n, key, "write keys and values below it", "%s is not a mapping of keys to values", describe(n))
		return
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		d.entry(n.Content[i], n.Content[i+1], key, fields, seen)
	}
	for _, f := range fields {
		if f.required && !seen[f.key] {
			d.bad(n, join(key, f.key), "add it; trammel new writes a commented sheet", "the key is missing")
		}
	}
}

func (d *decoder) entry(k, v *yaml.Node, key string, fields []field, seen map[string]bool) {
	name := k.Value
	full := join(key, name)
	if seen[name] {
		d.bad(k, full, "keep one of the two", "the key stands twice")
		return
	}
	seen[name] = true
	if v.Kind == yaml.AliasNode || v.Anchor != "" {
		d.bad(v, full, "write the value out", "anchors and aliases are not used in job sheets")
		return
	}
	names := make([]string, len(fields))
	for i, f := range fields {
		if f.key == name {
			f.decode(v, full)
			return
		}
		names[i] = f.key
	}
	d.bad(k, full, suggestion(name, names), "unknown key")
}

func (d *decoder) list(n *yaml.Node, key string, each func(n *yaml.Node, key string)) {
	if n.Kind != yaml.SequenceNode {
		d.bad(n, key, "write a list, one item a line, each after a dash", "%s is not a list", describe(n))
		return
	}
	for i, item := range n.Content {
		at := fmt.Sprintf("%s[%d]", key, i)
		if item.Kind == yaml.AliasNode || item.Anchor != "" {
			d.bad(item, at, "write the value out", "anchors and aliases are not used in job sheets")
			continue
		}
		each(item, at)
	}
}

func (d *decoder) scalar(n *yaml.Node, key, want string) (string, bool) {
	if n.Kind != yaml.ScalarNode || n.Tag == "!!null" {
		d.bad(n, key, want, "%s stands where a value belongs", describe(n))
		return "", false
	}
	return n.Value, true
}

func text(d *decoder, into *string) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		if s, ok := d.scalar(n, key, "write a text"); ok {
			*into = s
		}
	}
}

func boolean(d *decoder, into *bool) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		s, ok := d.scalar(n, key, "write true or false")
		if !ok {
			return
		}
		if n.Tag != "!!bool" {
			d.bad(n, key, "write true or false", "%q is neither true nor false", s)
			return
		}
		*into = strings.EqualFold(s, "true")
	}
}

func count(d *decoder, into *int, least int) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		s, ok := d.scalar(n, key, "write a whole number")
		if !ok {
			return
		}
		v, err := strconv.Atoi(s)
		if err != nil || v < least {
			d.bad(n, key, fmt.Sprintf("write a whole number of at least %d", least), "%q is not one", s)
			return
		}
		*into = v
	}
}

// limits of a length in millimetres, both included, and what it is for.
type limits struct {
	least, most float64
	what        string
}

func lengthIn(d *decoder, into *float64, l limits) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		v, ok := d.length(n, key)
		if !ok {
			return
		}
		if v < l.least || v > l.most {
			d.bad(n, key, fmt.Sprintf("write one from %s to %s", length.Format(l.least, length.Millimetre), length.Format(l.most, length.Millimetre)),
				"%s is impossible for %s", n.Value, l.what)
			return
		}
		*into = v
	}
}

func (d *decoder) length(n *yaml.Node, key string) (float64, bool) {
	s, ok := d.scalar(n, key, "write a length with its unit, such as 145 mm")
	if !ok {
		return 0, false
	}
	v, err := length.Parse(s)
	if err != nil {
		d.bad(n, key, "lengths are written with mm, cm, m, in or ft", "%s", err)
		return 0, false
	}
	return v, true
}

// farMM bounds coordinates: 100 km, far beyond any object and hall, near enough
// that float64 keeps nanometres.
const farMM = 1e8

func point(d *decoder, into *geom.Vec) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		const want = "write three lengths, such as [0 mm, 0 mm, 500 mm]"
		if n.Kind != yaml.SequenceNode || len(n.Content) != 3 {
			d.bad(n, key, want, "%s is not a point", describe(n))
			return
		}
		var p [3]float64
		for i, c := range n.Content {
			lengthIn(d, &p[i], limits{-farMM, farMM, "a coordinate"})(c, fmt.Sprintf("%s[%d]", key, i))
		}
		*into = geom.FromArray(p)
	}
}

func (d *decoder) box(into *geom.Box) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		before := len(d.problems)
		d.mapping(n, key,
			field{"min", true, point(d, &into.Min)},
			field{"max", true, point(d, &into.Max)})
		if len(d.problems) > before {
			return
		}
		for i, axis := range []string{"x", "y", "z"} {
			if lo, hi := into.Min.At(i), into.Max.At(i); lo >= hi {
				d.bad(n, key, "min is the smaller corner, max the larger one", "along %s the box reaches from %g mm to %g mm", axis, lo, hi)
			}
		}
	}
}

func choice[T ~string](d *decoder, into *T, options ...T) func(*yaml.Node, string) {
	return func(n *yaml.Node, key string) {
		names := make([]string, len(options))
		for i, o := range options {
			names[i] = string(o)
		}
		want := "write " + orList(names)
		s, ok := d.scalar(n, key, want)
		if !ok {
			return
		}
		for _, o := range options {
			if string(o) == s {
				*into = o
				return
			}
		}
		d.bad(n, key, want, "%q is none of them", s)
	}
}

func describe(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "a mapping"
	case n.Kind == yaml.SequenceNode:
		return fmt.Sprintf("a list of %d", len(n.Content))
	case n.Tag == "!!null" || n.Value == "":
		return "nothing"
	default:
		return strconv.Quote(n.Value)
	}
}

func join(key, name string) string {
	if key == "" {
		return name
	}
	return key + "." + name
}

func orList(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}
