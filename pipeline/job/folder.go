package job

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"
)

// The names in a job folder that the program keeps for itself.
const (
	WorkDir  = "work"  // derived data; may be deleted at any time
	OutDir   = "out"   // packages
	NotesDir = "notes" // text files dropped here go into the session log
	LogName  = "session.jsonl"
	PosesCSV = "poses.csv" // poses for register: given, in the drop folder
)

// Scan is a file in a drop folder.
type Scan struct {
	Path       string // slash-separated, relative to the job folder: the subject of findings
	File       string // where to open it
	Instrument int    // index into the sheet's instruments
	Bytes      int64
}

// Arrivals is what lies in the drop folders.
type Arrivals struct {
	Scans    []Scan    // sorted by instrument, then path
	Findings []Finding // what lies there and cannot be a scan
}

// companions are files that instruments' software and desktops leave beside
// scans; they are passed over in silence (common practice, no source).
var companions = []string{".mtl", ".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff", ".pdf", ".log", ".ini", ".db", ".xml", ".json", ".md"}

// transit marks names of files that are still being written.
var transit = []string{".part", ".tmp", ".temp", ".crdownload", ".partial", ".filepart", "~"}

// scanSuffixes are the names that scans usually have, for telling a folder named
// like a scan from a folder of scans.
var scanSuffixes = []string{".ply", ".stl", ".obj", ".xyz", ".txt", ".csv", ".pts", ".asc", ".e57", ".las", ".laz", ".pcd", ".glb", ".gz", ".zst"}

// Passing reports whether a file name is one that drop folders may hold without
// being a scan: hidden files, companions, half-written files and poses.csv.
func Passing(name string) bool {
	lower := strings.ToLower(name)
	ends := func(suffix string) bool { return strings.HasSuffix(lower, suffix) }
	return strings.HasPrefix(name, ".") || lower == PosesCSV || slices.ContainsFunc(companions, ends) || slices.ContainsFunc(transit, ends)
}

// List returns the files of all drop folders of the job in dir. A missing drop
// folder holds nothing. Folders are searched to any depth. Links are followed
// only to regular files inside the job folder; nothing else but regular files is
// ever opened.
func List(dir string, s *Sheet) (Arrivals, error) {
	var a Arrivals
	for i, ins := range s.Instruments {
		if err := a.walk(dir, ins.Drop, i); err != nil {
			return Arrivals{}, err
		}
	}
	slices.SortStableFunc(a.Scans, func(x, y Scan) int {
		if x.Instrument != y.Instrument {
			return x.Instrument - y.Instrument
		}
		return strings.Compare(x.Path, y.Path)
	})
	SortFindings(a.Findings)
	return a, nil
}

func (a *Arrivals) walk(dir, drop string, instrument int) error {
	root := filepath.Join(dir, filepath.FromSlash(drop))
	if _, err := os.Lstat(root); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return filepath.WalkDir(root, func(file string, entry fs.DirEntry, err error) error {
		if err != nil {
			if errors.Is(err, fs.ErrNotExist) { // deleted while we looked
				return nil
			}
			return fmt.Errorf("list drop folder: %w", err)
		}
		rel, err := filepath.Rel(dir, file)
		if err != nil {
			return err
		}
		return a.visit(dir, Scan{Path: filepath.ToSlash(rel), File: file, Instrument: instrument}, entry, file == root)
	})
}

func (a *Arrivals) visit(dir string, s Scan, entry fs.DirEntry, root bool) error {
	name := path.Base(s.Path)
	switch {
	case entry.IsDir() && root:
		return nil
	case root && entry.Type()&fs.ModeSymlink == 0:
		a.reject(s, "it is not a folder, but the job sheet names it as a drop folder", "make it a folder and copy the scans into it")
		return nil
	case !root && Passing(name):
		if entry.IsDir() {
			return fs.SkipDir
		}
		return nil
	case entry.IsDir():
		if hasScanSuffix(name) {
			a.reject(s, "it is a folder that is named like a scan", "rename the folder, or move the scan out of it if the export made it")
			return fs.SkipDir
		}
		return nil
	case entry.Type()&fs.ModeSymlink != 0:
		return a.link(dir, s)
	case !entry.Type().IsRegular():
		a.reject(s, "it is not a regular file but "+special(entry.Type()), "remove it and copy the scan itself here")
		return nil
	}
	info, err := entry.Info()
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("list drop folder: %w", err)
	}
	s.Bytes = info.Size()
	a.Scans = append(a.Scans, s)
	return nil
}

// link takes a symbolic link to a regular file inside the job folder as that
// file, and rejects every other one.
func (a *Arrivals) link(dir string, s Scan) error {
	target, err := filepath.EvalSymlinks(s.File)
	if err != nil {
		a.reject(s, "it is a link that leads nowhere or in a circle", "copy the scan itself here")
		return nil
	}
	home, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return fmt.Errorf("resolve job folder: %w", err)
	}
	if rel, err := filepath.Rel(home, target); err != nil || !filepath.IsLocal(rel) {
		a.reject(s, "it is a link that points outside the job folder and was not followed", "copy the scan itself here, so that the job stays whole when it is moved or archived")
		return nil
	}
	info, err := os.Stat(target)
	if err != nil {
		return fmt.Errorf("follow link %s: %w", s.Path, err)
	}
	if !info.Mode().IsRegular() {
		a.reject(s, "it is a link to something that is not a regular file", "copy the scan itself here")
		return nil
	}
	s.Bytes = info.Size()
	a.Scans = append(a.Scans, s)
	return nil
}

func (a *Arrivals) reject(s Scan, why, cure string) {
	a.Findings = append(a.Findings, Finding{
		Code: FileUnreadable, Severity: Hold, Subject: s.Path,
		Text: fmt.Sprintf("%s cannot be read as a scan: %s. To do: %s.", Printable(s.Path), why, cure),
	})
}

func hasScanSuffix(name string) bool {
	lower := strings.ToLower(name)
	return slices.ContainsFunc(scanSuffixes, func(suffix string) bool { return strings.HasSuffix(lower, suffix) })
}

func special(m fs.FileMode) string {
	switch {
	case m&fs.ModeNamedPipe != 0:
		return "a pipe"
	case m&fs.ModeSocket != 0:
		return "a socket"
	case m&fs.ModeDevice != 0:
		return "a device"
	default:
		return "something else"
	}
}

// Printable returns a file name that is safe to show on a terminal: control
// characters, direction marks and bytes that are not UTF-8 are escaped.
func Printable(s string) string {
	var b strings.Builder
	for len(s) > 0 {
		r, n := utf8.DecodeRuneInString(s)
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, s[0])
		case r < 0x20 || r >= 0x7f && r < 0xa0 || r >= 0x200b && r <= 0x200f || r >= 0x2028 && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == 0xfeff:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
		s = s[n:]
	}
	return b.String()
}
