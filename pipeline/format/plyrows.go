package format

import (
	"encoding/binary"
	"io"
	"math"
)

// asciiRows reads records of an ascii PLY. A record begins on a new line and its
// surplus numbers are passed over, as some programs write more columns than they
// declare; a record that its line does not finish goes on with the next.
type asciiRows struct {
	src  *source
	line []byte
}

func (a *asciiRows) begin(e *plyElement) error {
	a.line = nil
	if len(e.properties) == 0 {
		_, err := a.src.line()
		return err
	}
	return a.nextLine()
}

func (a *asciiRows) nextLine() error {
	for {
		line, err := a.src.line()
		if err != nil {
			return err
		}
		if a.line = skipBlanks(line); len(a.line) > 0 {
			return nil
		}
	}
}

func (a *asciiRows) number(scalar) (float64, bool) {
	if len(a.line) == 0 && a.nextLine() != nil {
		return 0, false
	}
	v, rest, ok := number(a.line)
	a.line = skipBlanks(rest)
	return v, ok
}

// believable lets ascii lists pass: reading them ends with the file, and nothing
// is reserved for them beforehand.
func (a *asciiRows) believable(int64, scalar) bool { return true }

// binaryRows reads records of a binary PLY whose width is not fixed.
type binaryRows struct {
	src *source
	big bool
}

func (r *binaryRows) begin(*plyElement) error {
	if r.src.atEnd() {
		return io.EOF
	}
	return nil
}

func (r *binaryRows) number(kind scalar) (float64, bool) {
	n := kind.bytes()
	raw := r.src.take(n)
	if len(raw) < n {
		return 0, false
	}
	return load(raw, kind, r.big), true
}

func (r *binaryRows) believable(n int64, kind scalar) bool {
	return n*int64(kind.bytes()) <= r.src.left(math.MaxInt64)
}

// load reads one number; raw must be long enough for its kind.
func load(raw []byte, kind scalar, big bool) float64 {
	switch kind {
	case int8s:
		return float64(int8(raw[0]))
	case uint8s:
		return float64(raw[0])
	case int16s:
		return float64(int16(load16(raw, big)))
	case uint16s:
		return float64(load16(raw, big))
	case int32s:
		return float64(int32(load32(raw, big)))
	case uint32s:
		return float64(load32(raw, big))
	case float32s:
		return float64(math.Float32frombits(load32(raw, big)))
	default:
		return math.Float64frombits(load64(raw, big))
	}
}

func load16(raw []byte, big bool) uint16 {
	if big {
		return binary.BigEndian.Uint16(raw)
	}
	return binary.LittleEndian.Uint16(raw)
}

func load32(raw []byte, big bool) uint32 {
	if big {
		return binary.BigEndian.Uint32(raw)
	}
	return binary.LittleEndian.Uint32(raw)
}

func load64(raw []byte, big bool) uint64 {
	if big {
		return binary.BigEndian.Uint64(raw)
	}
	return binary.LittleEndian.Uint64(raw)
}
