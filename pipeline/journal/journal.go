// Package journal keeps the session log: a record for the client of what was
// found, done and decided, one JSON object a line, append-only.
//
// Each line carries in "prev" the SHA-256 of the line before it, without its
// newline (64 zeros in the first), so that a line that was changed, removed or
// put in later breaks the chain. Several processes may append at once; a lock on
// the file orders them. A last line without its newline is what a kill or a power
// cut leaves: it is cut off by the next append, which records that. Any other
// break stops the log with the number of the first bad line. The package reads
// and writes the line format described here, version 1, and no other.
package journal

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"trammel/pipeline/disk"
)

// Event names what a line records.
type Event string

// The events of a session log.
const (
	ScanSeen  Event = "scan"     // a raw scan was taken in: path, bytes, sha256
	Found     Event = "finding"  // a finding appeared
	Cleared   Event = "cleared"  // a finding is gone
	Built     Event = "built"    // a package was made
	Noted     Event = "note"     // an operator's note
	Accepted  Event = "accepted" // a person accepts a finding by name
	Released  Event = "released" // a person signs a package off
	Recovered Event = "recovered"
)

// Entry is one line. Fields that do not belong to the event are empty.
type Entry struct {
	Prev     string `json:"prev"`
	Time     string `json:"time"` // RFC 3339, UTC
	Event    Event  `json:"event"`
	Version  string `json:"version,omitempty"` // of the program
	Subject  string `json:"subject,omitempty"` // a file, a finding's subject, a package
	Code     string `json:"code,omitempty"`
	Severity string `json:"severity,omitempty"`
	Text     string `json:"text,omitempty"`
	By       string `json:"by,omitempty"`
	Bytes    int64  `json:"bytes,omitempty"`
	SHA256   string `json:"sha256,omitempty"`
	SHA512   string `json:"sha512,omitempty"`
	Source   string `json:"source,omitempty"` // the file a note was read from
}

// BrokenError says that the log's chain is broken: someone or something changed
// it after it was written.
type BrokenError struct {
	File string
	Line int // the first bad line, counted from 1
	Why  string
}

// Error names file and line and says what to do.
func (e *BrokenError) Error() string {
	return fmt.Sprintf("session log %s: line %d is broken: %s; put the log back from a copy or a package, or rename it so that a new one begins", e.File, e.Line, e.Why)
}

// ErrTorn marks a log whose last line has no end; Read returns the entries
// before it.
var ErrTorn = errors.New("the last line of the session log is incomplete")

const zeros = "0000000000000000000000000000000000000000000000000000000000000000"

// maxLine bounds a line: a note of a megabyte is not one.
const maxLine = 1 << 20

// Read returns the entries of the log at path, none when there is no log. A
// broken chain gives a *BrokenError; a torn last line gives ErrTorn together with
// the entries before it.
func Read(path string) ([]Entry, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	entries, err := Parse(f, path)
	return entries, errors.Join(err, f.Close())
}

// Parse is Read for a log from anywhere; name stands in errors.
func Parse(r io.Reader, name string) ([]Entry, error) {
	entries, end, err := scan(r, name)
	if err != nil {
		return nil, err
	}
	if end.torn {
		return entries, fmt.Errorf("%s: %w", name, ErrTorn)
	}
	return entries, nil
}

// tail is what an append must know of a log.
type tail struct {
	hash  string // of the last whole line
	bytes int64  // up to and with its newline
	torn  bool   // something follows
}

func scan(r io.Reader, path string) ([]Entry, tail, error) {
	end := tail{hash: zeros}
	var entries []Entry
	b := bufio.NewReaderSize(r, 1<<16)
	for number := 1; ; number++ {
		line, err := readLine(b)
		if errors.Is(err, io.EOF) {
			end.torn = len(line) > 0
			return entries, end, nil
		}
		if err != nil {
			return nil, end, fmt.Errorf("read session log %s: line %d: %w", path, number, err)
		}
		e, err := check(line, end.hash)
		if err != nil {
			return nil, end, &BrokenError{File: path, Line: number, Why: err.Error()}
		}
		entries = append(entries, e)
		end = tail{hash: digest(line), bytes: end.bytes + int64(len(line)) + 1}
	}
}

// readLine returns a line without its newline, or what is left with io.EOF.
func readLine(b *bufio.Reader) ([]byte, error) {
	var line []byte
	for {
		part, err := b.ReadSlice('\n')
		line = append(line, part...)
		switch {
		case err == nil:
			return line[:len(line)-1], nil
		case !errors.Is(err, bufio.ErrBufferFull):
			return line, err
		case len(line) > maxLine:
			return nil, fmt.Errorf("longer than %d bytes", maxLine)
		}
	}
}

func check(line []byte, prev string) (Entry, error) {
	var e Entry
	if err := json.Unmarshal(line, &e); err != nil {
		return e, fmt.Errorf("it is not a JSON object: %w", err)
	}
	if e.Prev != prev {
		return e, errors.New("it does not follow from the line before it")
	}
	return e, nil
}

func digest(line []byte) string {
	h := sha256.Sum256(line)
	return hex.EncodeToString(h[:])
}

// Append adds entries to the log at path, creating it if need be, and syncs it.
// Prev is filled in, and Time where it is empty. It refuses to write to a broken
// log; a torn last line is cut off and recorded.
func Append(d *disk.Disk, path string, now time.Time, entries ...Entry) error {
	if len(entries) == 0 {
		return nil
	}
	return d.Append(path, func(f *os.File) error {
		_, end, err := scan(f, path)
		if err != nil {
			return err
		}
		if end.torn {
			entries = append([]Entry{{Event: Recovered, Text: "An incomplete last line, left by an interrupted write, was cut off."}}, entries...)
			if err := f.Truncate(end.bytes); err != nil {
				return err
			}
		}
		text, err := chain(end.hash, now, entries)
		if err != nil {
			return err
		}
		_, err = f.WriteAt(text, end.bytes)
		return err
	})
}

func chain(prev string, now time.Time, entries []Entry) ([]byte, error) {
	var text bytes.Buffer
	for _, e := range entries {
		e.Prev = prev
		if e.Time == "" {
			e.Time = now.UTC().Format(time.RFC3339Nano)
		}
		e.Text = strings.ToValidUTF8(e.Text, "\uFFFD")
		line, err := json.Marshal(e)
		if err != nil {
			return nil, err
		}
		if len(line) > maxLine {
			return nil, fmt.Errorf("an entry of %d bytes is too long for the session log; keep it below %d", len(line), maxLine)
		}
		text.Write(line)
		text.WriteByte('\n')
		prev = digest(line)
	}
	return text.Bytes(), nil
}

// Open returns the findings that were found and not cleared again, in the order
// in which they were found.
func Open(entries []Entry) []Entry {
	var open []Entry
	for _, e := range entries {
		switch e.Event {
		case Found:
			open = append(open, e)
		case Cleared:
			open = slices.DeleteFunc(open, func(f Entry) bool { return f.Code == e.Code && f.Subject == e.Subject && f.Text == e.Text })
		case ScanSeen, Built, Noted, Accepted, Released, Recovered:
		}
	}
	return open
}
