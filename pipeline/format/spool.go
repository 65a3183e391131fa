package format

import (
	"errors"
	"io"
)

const (
	// spoolChunk is the piece in which unpacked content is kept: small beside the
	// most, so that little is taken in vain.
	spoolChunk = 4 << 20
	// spoolLeast and spoolPerByte bound the unpacked content of a compressed file of
	// a format that is read out of order: held in memory, it must stay in
	// proportion. Such formats are seldom packed, as they are compact already;
	// larger ones are to be unpacked first.
	spoolLeast   = 32 << 20
	spoolPerByte = 3
)

// random returns content that can be read in any order: the file itself,
// or the content of a compressed one, unpacked into memory.
func (r *Reader) random() (io.ReaderAt, int64, error) {
	if r.about.Compression == "" {
		return r.at, r.size, nil
	}
	s := &spool{}
	for {
		chunk, err := r.src.chunk()
		s.chunks, s.size = append(s.chunks, chunk), s.size+int64(len(chunk))
		if err != nil {
			return nil, 0, err
		}
		if most := spoolLeast + spoolPerByte*r.size; s.size > most {
			return nil, 0, broken("its unpacked content is more than %d MiB; unpack it into the drop folder", most>>20)
		}
		if len(chunk) < spoolChunk {
			return s, s.size, nil
		}
	}
}

// chunk returns the next spoolChunk bytes in memory of their own; fewer mean the
// end.
func (s *source) chunk() ([]byte, error) {
	raw := make([]byte, 0, spoolChunk)
	for len(raw) < spoolChunk {
		part := s.take(min(spoolChunk-len(raw), len(s.buf)))
		if len(part) == 0 {
			break
		}
		raw = append(raw, part...)
	}
	return raw, s.fault()
}

// spool is content in memory, in pieces of spoolChunk bytes but for the last.
type spool struct {
	chunks [][]byte
	size   int64
}

// ReadAt fills p from the offset on.
func (s *spool) ReadAt(p []byte, at int64) (int, error) {
	if at < 0 {
		return 0, errors.New("negative offset")
	}
	n := 0
	for n < len(p) && at < s.size {
		k := copy(p[n:], s.chunks[at/spoolChunk][at%spoolChunk:])
		n, at = n+k, at+int64(k)
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}
