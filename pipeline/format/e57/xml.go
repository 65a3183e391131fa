package e57

import (
	"bytes"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// The little of XML that E57 uses, read from a slice without copying it. A
// general decoder allocates for every token what a hostile file multiplies; this
// one refuses document types, and so every entity of a file's own making, and
// bounds depth and number of the elements it keeps.

const (
	// deepestXML leaves room for twice the depth that the standard's own
	// elements reach.
	deepestXML = 32
	// Of a file's elements fewElements and one for every bytesPerElement bytes of
	// XML are kept. Of a plain set-up 50 are, out of 4 kB; an element kept takes
	// about 200 bytes of memory for a while.
	fewElements     = 1 << 16
	bytesPerElement = 64
)

type tokenKind uint8

const (
	startTag tokenKind = iota
	endTag
	plainText
)

// token is a piece of XML. attributes is what follows the name in a start tag;
// text has its entities replaced.
type token struct {
	kind       tokenKind
	name       string
	attributes []byte
	text       []byte
}

// element is an XML element with all that is in it.
type element struct {
	name       string
	attributes []byte
	text       []byte
	children   []element
}

// tokens cuts XML into pieces and checks that the tags match.
type tokens struct {
	rest    []byte
	left    int      // elements that may still be kept
	open    []string // names of the open elements
	closing bool     // an empty-element tag was met: its end tag comes next
}

func newTokens(text []byte) (*tokens, error) {
	if !utf8.Valid(text) {
		return nil, broken("it is not UTF-8")
	}
	return &tokens{
		rest: bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")),
		left: fewElements + len(text)/bytesPerElement,
	}, nil
}

// next returns the next token, comments and processing instructions left out.
func (t *tokens) next() (token, error) {
	if t.closing {
		t.closing = false
		return t.close(t.open[len(t.open)-1])
	}
	for len(t.rest) > 0 {
		switch {
		case t.rest[0] != '<':
			return t.plain()
		case bytes.HasPrefix(t.rest, []byte("<![CDATA[")):
			text, err := t.until("<![CDATA[", "]]>")
			return token{kind: plainText, text: text}, err
		case bytes.HasPrefix(t.rest, []byte("<!--")):
			if _, err := t.until("<!--", "-->"); err != nil {
				return token{}, err
			}
		case bytes.HasPrefix(t.rest, []byte("<?")):
			if _, err := t.until("<?", "?>"); err != nil {
				return token{}, err
			}
		case bytes.HasPrefix(t.rest, []byte("<!")):
			return token{}, broken("it declares a document type, which E57 does not allow")
		case bytes.HasPrefix(t.rest, []byte("</")):
			name, err := t.until("</", ">")
			if err != nil {
				return token{}, err
			}
			return t.close(strings.TrimRight(string(name), " \t\r\n"))
		default:
			return t.start()
		}
	}
	return token{}, short("it ends within %s", strings.Join(t.open, "/"))
}

// until returns what stands between a mark, with which the rest begins, and the
// next end, and passes over all of it.
func (t *tokens) until(mark, end string) ([]byte, error) {
	inside := t.rest[len(mark):]
	i := bytes.Index(inside, []byte(end))
	if i < 0 {
		return nil, short("%s has no end", mark)
	}
	t.rest = inside[i+len(end):]
	return inside[:i], nil
}

func (t *tokens) plain() (token, error) {
	n := bytes.IndexByte(t.rest, '<')
	if n < 0 {
		n = len(t.rest)
	}
	text, err := unescape(t.rest[:n])
	t.rest = t.rest[n:]
	return token{kind: plainText, text: text}, err
}

func (t *tokens) close(name string) (token, error) {
	if len(t.open) == 0 || t.open[len(t.open)-1] != name {
		return token{}, broken("</%s> closes nothing", clip(name))
	}
	t.open = t.open[:len(t.open)-1]
	return token{kind: endTag, name: name}, nil
}

func (t *tokens) start() (token, error) {
	n, err := tagLength(t.rest)
	if err != nil {
		return token{}, err
	}
	inside := t.rest[1 : n-1]
	t.rest = t.rest[n:]
	if bytes.HasSuffix(inside, []byte("/")) {
		inside, t.closing = inside[:len(inside)-1], true
	}
	nameEnd := bytes.IndexAny(inside, " \t\r\n")
	if nameEnd < 0 {
		nameEnd = len(inside)
	}
	name := string(inside[:nameEnd])
	if !isName(name) {
		return token{}, broken("%q is no name of an element", clip(name))
	}
	if len(t.open) == deepestXML {
		return token{}, broken("its elements are nested more than %d deep", deepestXML)
	}
	t.open = append(t.open, name)
	return token{kind: startTag, name: name, attributes: inside[nameEnd:]}, nil
}

// tagLength returns the length of the tag that b begins with; a > in quotes does
// not end it.
func tagLength(b []byte) (int, error) {
	var quote byte
	for i, c := range b {
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '>':
			return i + 1, nil
		}
	}
	return 0, short("a tag has no end")
}

func isName(s string) bool {
	return s != "" && !strings.ContainsFunc(s, func(r rune) bool {
		return r <= ' ' || strings.ContainsRune("<>&\"'/=", r)
	})
}

// unescape replaces the entities that XML itself defines.
func unescape(text []byte) ([]byte, error) {
	i := bytes.IndexByte(text, '&')
	if i < 0 {
		return text, nil
	}
	out := make([]byte, 0, len(text))
	for ; i >= 0; i = bytes.IndexByte(text, '&') {
		n := bytes.IndexByte(text[i:], ';')
		if n < 0 {
			return nil, broken("an entity has no end")
		}
		r, ok := entity(string(text[i+1 : i+n]))
		if !ok {
			return nil, broken("&%s; is no entity of XML", clip(string(text[i+1:i+n])))
		}
		out = utf8.AppendRune(append(out, text[:i]...), r)
		text = text[i+n+1:]
	}
	return append(out, text...), nil
}

func entity(name string) (rune, bool) {
	switch name {
	case "lt":
		return '<', true
	case "gt":
		return '>', true
	case "amp":
		return '&', true
	case "quot":
		return '"', true
	case "apos":
		return '\'', true
	}
	digits, isNumber := strings.CutPrefix(name, "#")
	base := 10
	if hex, isHex := strings.CutPrefix(digits, "x"); isHex {
		digits, base = hex, 16
	}
	n, err := strconv.ParseUint(digits, base, 31)
	return rune(n), isNumber && err == nil && utf8.ValidRune(rune(n))
}

// skip passes over the rest of the element whose start tag was just read.
func (t *tokens) skip() error {
	for depth := len(t.open); len(t.open) >= depth; {
		if _, err := t.next(); err != nil {
			return err
		}
	}
	return nil
}

// tree reads the rest of the element whose start tag was just read.
func (t *tokens) tree(start token) (element, error) {
	e := element{name: start.name, attributes: start.attributes}
	if t.left--; t.left < 0 {
		return e, broken("it has absurdly many elements")
	}
	for {
		k, err := t.next()
		if err != nil {
			return e, err
		}
		switch k.kind {
		case endTag:
			return e, nil
		case plainText:
			e.text = append(e.text, k.text...)
		case startTag:
			child, err := t.tree(k)
			if err != nil {
				return e, err
			}
			e.children = append(e.children, child)
		}
	}
}

// each calls visit for each child element of the element whose start tag was
// just read; visit must read or skip the child to its end.
func (t *tokens) each(visit func(child token) error) error {
	for {
		k, err := t.next()
		if err != nil {
			return err
		}
		switch k.kind {
		case endTag:
			return nil
		case startTag:
			if err := visit(k); err != nil {
				return err
			}
		case plainText:
		}
	}
}

// child returns the first child of a name, or nil; so does nil.
func (e *element) child(name string) *element {
	if e == nil {
		return nil
	}
	for i := range e.children {
		if e.children[i].name == name {
			return &e.children[i]
		}
	}
	return nil
}

// attribute returns the value of an attribute and whether it is there. A piece
// that is no attribute ends the search.
func (e *element) attribute(name string) (string, bool) {
	for rest := e.attributes; ; {
		key, after, ok := bytes.Cut(rest, []byte("="))
		after = bytes.TrimLeft(after, " \t\r\n")
		if !ok || len(after) == 0 || after[0] != '"' && after[0] != '\'' {
			return "", false
		}
		value, next, ok := bytes.Cut(after[1:], after[:1])
		if !ok {
			return "", false
		}
		if string(bytes.TrimSpace(key)) == name {
			plain, err := unescape(value)
			return string(plain), err == nil
		}
		rest = next
	}
}

// words returns the text of an element, without the blanks around it.
func (e *element) words() string {
	if e == nil {
		return ""
	}
	return string(bytes.TrimSpace(e.text))
}

// number returns the number in an element; an empty one is 0, and so is nil.
func (e *element) number() (float64, error) {
	text := e.words()
	if text == "" {
		return 0, nil
	}
	v, ok := parseFloat(text)
	if !ok {
		return 0, broken("<%s> holds %q, not a number", e.name, clip(text))
	}
	return v, nil
}

// parseFloat reads a number; one beyond the range of a float64 is infinite.
func parseFloat(text string) (float64, bool) {
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil || math.IsInf(v, 0)
}

// parseInt reads a whole number, also one written as floating point.
func parseInt(text string) (int64, bool) {
	if v, err := strconv.ParseInt(text, 10, 64); err == nil {
		return v, true
	}
	f, ok := parseFloat(text)
	return int64(f), ok && f == math.Trunc(f) && math.Abs(f) < 1<<63
}

// clip shortens text of a file for a message.
func clip(s string) string {
	if len(s) <= 40 {
		return s
	}
	return s[:40] + "…"
}
