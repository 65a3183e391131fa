package handoff

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"trammel/package/bag"
	"trammel/package/report"
	"trammel/pipeline/job"
	"trammel/pipeline/journal"
)

// The labels of bag-info.txt that this program reads back.
const (
	labelContent = "Trammel-Content" // digest of everything that the package says
	labelPackage = "External-Identifier"
)

// deliver packs the next revision, unless the newest package says the same.
func (r Request) deliver(ctx context.Context, out *Outcome, entries []journal.Entry) error {
	dir := filepath.Join(r.Dir, job.OutDir)
	if err := r.Disk.Mkdir(dir); err != nil {
		return fmt.Errorf("make the folder for packages: %w", err)
	}
	what := decisions(entries)
	content, err := r.content(out, what)
	if err != nil {
		return err
	}
	newest, err := newestPackage(dir, r.Sheet.Job)
	if err != nil {
		return err
	}
	unchanged, err := r.isUnchanged(out, entries, newest, content)
	if err != nil {
		return err
	}
	if unchanged {
		out.Package, out.Revision, out.Unchanged = newest.path, newest.revision, true
		return r.recordBuilt(entries, newest.path)
	}
	for revision := newest.taken + 1; ; revision++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		path := filepath.Join(dir, packageName(r.Sheet.Job, revision)+"."+r.Sheet.Package.Format)
		err := r.pack(ctx, out, path, revision, content, what)
		if errors.Is(err, fs.ErrExist) {
			continue // another process took the number
		}
		if err != nil {
			return fmt.Errorf("pack %s: %w", path, err)
		}
		out.Package, out.Revision = path, revision
		r.Log.Info().Str("package", path).Msg("package made")
		return r.recordBuilt(entries, path)
	}
}

// isUnchanged reports whether the newest package says all that there is to say.
// With KeepReleased, its own release and what was accepted for that is not
// something new: else nobody could ever sign a job off for good.
func (r Request) isUnchanged(out *Outcome, entries []journal.Entry, newest found, content string) (bool, error) {
	if newest.path == "" {
		return false, nil
	}
	if says(newest.path, content) {
		return true, nil
	}
	name := filepath.Base(newest.path)
	built := slices.IndexFunc(entries, func(e journal.Entry) bool { return e.Event == journal.Built && e.Subject == name })
	if s := StandingOf(entries); !r.KeepReleased || !s.Released || s.Package != name || built < 0 {
		return false, nil
	}
	before := decisions(entries[:built])
	before.notes = decisions(entries).notes
	content, err := r.content(out, before)
	return err == nil && says(newest.path, content), err
}

func packageName(name string, revision int) string { return fmt.Sprintf("%s-r%03d", name, revision) }

// content digests everything that a package says, but for its revision.
func (r Request) content(out *Outcome, what decided) (string, error) {
	doc, err := report.JSON(report.NewReport(out.Built, r.context(0, what)))
	if err != nil {
		return "", err
	}
	h := sha256.New()
	for _, part := range [][]byte{doc, r.SheetText, []byte(r.Version), out.Built.MeshKey[:], []byte(strings.Join(what.notes, "\x00"))} {
		if _, err := fmt.Fprintf(h, "%d\n", len(part)); err != nil {
			return "", err
		}
		h.Write(part)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func (r Request) context(revision int, what decided) report.Context {
	return report.Context{Revision: revision, Program: r.Version, Accepted: what.accepted, Released: what.released}
}

// found is the newest package in a folder.
type found struct {
	path     string // empty when there is none
	revision int
	taken    int // the highest revision that any name takes, whatever it is
}

// newestPackage looks for packages of a job. Every name that could be taken for
// a revision takes its number: files, folders, in any case.
func newestPackage(dir, name string) (found, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return found{}, nil
	}
	if err != nil {
		return found{}, fmt.Errorf("list packages: %w", err)
	}
	pattern := regexp.MustCompile(`(?i)^` + regexp.QuoteMeta(name) + `-r(\d{1,9})(\..*)?$`)
	var f found
	for _, e := range entries {
		m := pattern.FindStringSubmatch(e.Name())
		if m == nil {
			continue
		}
		n, err := strconv.Atoi(m[1])
		if err != nil {
			continue
		}
		f.taken = max(f.taken, n)
		ours := e.Name() == packageName(name, n)+".zip" || e.Name() == packageName(name, n)+".tar.zst"
		if ours && e.Type().IsRegular() && n > f.revision {
			f.path, f.revision = filepath.Join(dir, e.Name()), n
		}
	}
	return f, nil
}

// says reports whether the package at path is whole and says just this content.
func says(path, content string) bool {
	v, err := bag.Verify(path, nil)
	if err != nil || !v.Valid {
		return false
	}
	for _, l := range v.Info {
		if l.Name == labelContent {
			return l.Value == content
		}
	}
	return false
}

// recordBuilt writes the package and its checksum into the log, once.
func (r Request) recordBuilt(entries []journal.Entry, path string) error {
	name := filepath.Base(path)
	for _, e := range entries {
		if e.Event == journal.Built && e.Subject == name {
			return nil
		}
	}
	sum, bytes, err := sum512(path)
	if err != nil {
		return err
	}
	_, err = r.append(entries, journal.Entry{Event: journal.Built, Subject: name, Bytes: bytes, SHA512: sum})
	return err
}

// pack writes the package at path, which must not exist.
func (r Request) pack(ctx context.Context, out *Outcome, path string, revision int, content string, what decided) error {
	name := packageName(r.Sheet.Job, revision)
	files, err := r.files(ctx, out, name, revision, what)
	if err != nil {
		return err
	}
	info := []bag.Label{
		{Name: labelPackage, Value: name},
		{Name: "External-Description", Value: strings.TrimSpace("Scan of " + r.Sheet.Title)},
		{Name: "Bagging-Date", Value: r.Now().UTC().Format(time.DateOnly)},
		{Name: "Bag-Software-Agent", Value: "trammel " + r.Version},
		{Name: labelContent, Value: content},
	}
	return r.Disk.Create(path, func(w io.Writer) error {
		sums, err := bag.Write(w, r.Sheet.Package.Format, name, files, info)
		if err != nil {
			return err
		}
		return r.unchangedRaw(out, sums)
	})
}
