package format

import (
	"bytes"
	"errors"
	"io"
	"strings"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

const (
	// sourceBuffer holds a batch of the widest usual record many times over and
	// makes the cost of a system call vanish.
	sourceBuffer = 1 << 20
	// longestLine bounds the growth of the buffer: a polygon of two million
	// corners fits, a file without line ends does not fill the memory.
	longestLine = 16 << 20
	// mostExpansion is the largest believable ratio of a scan to its compressed
	// form. Ascii scans were measured at 3 to 12; deflate itself can reach 1032.
	mostExpansion = 200
	// freeExpansion is unpacked before the ratio is looked at: a stretch of equal
	// numbers at the start of a sound file packs better than the whole.
	freeExpansion = 8 << 20
)

// source hands out the bytes of a file in order, through one buffer.
type source struct {
	r        io.Reader
	size     int64 // bytes in all, or Unsaid inside a compressed file
	buf      []byte
	pos, end int
	consumed int64 // bytes handed out
	err      error // what ended the reading: io.EOF or a fault
}

func newSource(r io.Reader, size int64) *source {
	n := int64(sourceBuffer)
	if size != Unsaid {
		n = min(n, size+1)
	}
	return &source{r: r, size: size, buf: make([]byte, n)}
}

// peek returns the next n bytes without taking them, fewer at the end. n must
// not exceed the buffer, which grows for long lines only.
func (s *source) peek(n int) []byte {
	if s.end-s.pos < n {
		s.fill(n)
	}
	return s.buf[s.pos:min(s.end, s.pos+n)]
}

func (s *source) fill(n int) {
	if s.pos+n > len(s.buf) {
		s.end = copy(s.buf, s.buf[s.pos:s.end])
		s.pos = 0
	}
	for s.end-s.pos < n && s.end < len(s.buf) && s.err == nil {
		var k int
		k, s.err = s.r.Read(s.buf[s.end:])
		s.end += k
	}
}

func (s *source) advance(n int) {
	s.pos += n
	s.consumed += int64(n)
}

// take returns the next n bytes, valid until the next call; fewer mean the end.
func (s *source) take(n int) []byte {
	if n > len(s.buf) {
		s.grow(n)
	}
	b := s.peek(n)
	s.advance(len(b))
	return b
}

func (s *source) grow(n int) {
	bigger := make([]byte, n)
	s.end = copy(bigger, s.buf[s.pos:s.end])
	s.pos, s.buf = 0, bigger
}

// skip passes over n bytes and returns how many there were.
func (s *source) skip(n int64) int64 {
	var done int64
	for done < n {
		k := int64(len(s.take(int(min(n-done, int64(len(s.buf)))))))
		if k == 0 {
			break
		}
		done += k
	}
	return done
}

// line returns the next line without its end (LF or CR LF), valid until the next
// call. io.EOF comes after the last line only; a fault of the medium at once.
func (s *source) line() ([]byte, error) {
	searched := 0
	for {
		if i := bytes.IndexByte(s.buf[s.pos+searched:s.end], '\n'); i >= 0 {
			line := s.buf[s.pos : s.pos+searched+i]
			s.advance(searched + i + 1)
			return trimCR(line), nil
		}
		searched = s.end - s.pos
		if s.err != nil {
			return s.lastLine()
		}
		if searched == len(s.buf) {
			if searched >= longestLine {
				return nil, broken("a line is longer than %d MiB", longestLine>>20)
			}
			s.grow(2 * len(s.buf))
		}
		s.fill(searched + 1)
	}
}

func (s *source) lastLine() ([]byte, error) {
	if err := s.fault(); err != nil {
		return nil, err
	}
	line := s.buf[s.pos:s.end]
	if len(line) == 0 {
		return nil, io.EOF
	}
	s.advance(len(line))
	return trimCR(line), nil
}

func trimCR(line []byte) []byte {
	if n := len(line); n > 0 && line[n-1] == '\r' {
		return line[:n-1]
	}
	return line
}

// atEnd reports whether no byte is left.
func (s *source) atEnd() bool { return len(s.peek(1)) == 0 }

// fault returns what ended the reading, unless that was the end of the file.
func (s *source) fault() error {
	switch {
	case s.err == nil || errors.Is(s.err, io.EOF):
		return nil
	case errors.Is(s.err, io.ErrUnexpectedEOF):
		return short("the compressed file breaks off after %d bytes of content", s.consumed+int64(s.end-s.pos))
	default:
		return s.err
	}
}

// left returns an upper bound of the bytes not yet handed out.
func (s *source) left(compressedSize int64) int64 {
	if s.size != Unsaid {
		return s.size - s.consumed
	}
	return compressedSize
}

// unpack replaces the source of a gzip or zstd file by its content.
func (r *Reader) unpack() error {
	head := r.src.peek(4)
	packed := &counted{r: r.src.rest()}
	switch {
	case bytes.HasPrefix(head, []byte{0x1f, 0x8b, 8}):
		z, err := gzip.NewReader(packed)
		if err != nil {
			return broken("gzip: %v", err)
		}
		r.expand(z, packed, "gzip")
	case bytes.HasPrefix(head, []byte{0x28, 0xb5, 0x2f, 0xfd}):
		z, err := zstd.NewReader(packed, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(32<<20), zstd.WithDecoderLowmem(true))
		if err != nil {
			return broken("zstd: %v", err)
		}
		r.closers = append(r.closers, z.IOReadCloser())
		r.expand(z, packed, "zstd")
	}
	return nil
}

// rest returns what is buffered and what follows as one reader.
func (s *source) rest() io.Reader {
	return io.MultiReader(bytes.NewReader(s.buf[s.pos:s.end]), s.r)
}

func (r *Reader) expand(z io.Reader, packed *counted, method string) {
	r.about.Compression = method
	r.unpacking = &limited{r: z, packed: packed, method: method}
	r.src = newSource(r.unpacking, Unsaid)
	r.name = trimPackedSuffix(r.name)
}

// counted counts the bytes that go through it.
type counted struct {
	r    io.Reader
	done int64
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.done += int64(n)
	return n, err
}

func trimPackedSuffix(name string) string {
	for _, suffix := range []string{".gz", ".zst"} {
		if n := len(name) - len(suffix); n > 0 && strings.EqualFold(name[n:], suffix) {
			return name[:n]
		}
	}
	return name
}

// limited passes on decompressed bytes until there are absurdly many of them for
// the packed ones so far, and turns the decompressor's faults into format errors.
type limited struct {
	r      io.Reader
	packed *counted
	method string
	done   int64
}

func (l *limited) Read(p []byte) (int, error) {
	n, err := l.r.Read(p)
	l.done += int64(n)
	switch {
	case l.done > freeExpansion+mostExpansion*l.packed.done:
		return n, broken("%s content is more than %d times its compressed size", l.method, mostExpansion)
	case err == nil || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		return n, err
	default:
		return n, broken("%s: %v", l.method, err)
	}
}
