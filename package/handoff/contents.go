package handoff

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/text/unicode/norm"

	"trammel/package/bag"
	"trammel/package/report"
	"trammel/pipeline/format"
	"trammel/pipeline/job"
)

// files makes everything that goes into data/ of the package.
func (r Request) files(ctx context.Context, out *Outcome, name string, revision int, what decided) ([]bag.File, error) {
	doc := report.NewReport(out.Built, r.context(revision, what))
	pages, err := r.pages(ctx, out, doc)
	if err != nil {
		return nil, err
	}
	meshes, err := r.meshes(out)
	if err != nil {
		return nil, err
	}
	sources, err := r.sources(out)
	if err != nil {
		return nil, err
	}
	log, err := os.ReadFile(r.logPath())
	if err != nil {
		return nil, fmt.Errorf("read the session log: %w", err)
	}
	files := append(pages, meshes...)
	patches, err := r.patches(out)
	if err != nil {
		return nil, err
	}
	files = append(files, patches...)
	if doc.Datum != nil && doc.Datum.Fits {
		files = append(files, text("report/datum-4x4.txt", fourByFour(doc)))
	}
	files = append(files, text("READ-ME-FIRST.txt", readMe(doc, name, r.forms())), text("log/sources.csv", sources),
		text("log/session.jsonl", log), text("job.yaml", r.SheetText))
	if r.Sheet.Package.Raw {
		files = append(files, r.raw(out)...)
	}
	return files, nil
}

// text is a small file whose content is at hand.
func text(path string, content []byte) bag.File {
	return bag.File{Path: path, Open: func() (io.ReadCloser, error) { return memory{bytes.NewReader(content)}, nil }}
}

type memory struct{ *bytes.Reader }

// Close does nothing.
func (memory) Close() error { return nil }

func (r Request) pages(ctx context.Context, out *Outcome, doc report.Report) ([]bag.File, error) {
	encoded, err := report.JSON(doc)
	if err != nil {
		return nil, err
	}
	mounts, err := report.MountsCSV(doc)
	if err != nil {
		return nil, err
	}
	pitches, err := report.PitchesCSV(doc)
	if err != nil {
		return nil, err
	}
	pictures, err := report.Draw(ctx, out.Built)
	if err != nil {
		return nil, fmt.Errorf("draw the report's pictures: %w", err)
	}
	page, err := report.HTML(doc, pictures)
	if err != nil {
		return nil, fmt.Errorf("write the report page: %w", err)
	}
	pdf, err := report.PDF(doc, pictures)
	if err != nil {
		return nil, fmt.Errorf("write the report PDF: %w", err)
	}
	return []bag.File{
		text("report/datum-report.json", encoded), text("report/mounts.csv", mounts), text("report/pitches.csv", pitches),
		text("report/datum-report.html", page), text("report/datum-report.pdf", pdf),
	}, nil
}

// meshes writes the mesh in its formats below work/, from where they are packed:
// they may be larger than memory should hold twice.
func (r Request) meshes(out *Outcome) ([]bag.File, error) {
	dir := filepath.Join(r.Dir, job.WorkDir, "pack")
	if err := r.Disk.Mkdir(dir); err != nil {
		return nil, err
	}
	var files []bag.File
	for _, m := range r.forms() {
		p := filepath.Join(dir, m.name)
		if err := r.Disk.Write(p, func(w io.Writer) error { return m.write(w, out.Built) }); err != nil {
			return nil, fmt.Errorf("write %s: %w", m.name, err)
		}
		files = append(files, bag.File{Path: "mesh/" + m.name, Open: func() (io.ReadCloser, error) { return os.Open(p) }})
	}
	return files, nil
}

// patches writes the raw surface around each mount as a mesh of its own.
func (r Request) patches(out *Outcome) ([]bag.File, error) {
	var files []bag.File
	for _, p := range out.Built.Patches {
		var b bytes.Buffer
		o := format.WriteOptions{Units: r.Sheet.Units, Comments: []string{"job " + r.Sheet.Job, "raw surface around a mount"}}
		if err := format.WritePLYMesh(&b, p.Mesh, o); err != nil {
			return nil, fmt.Errorf("write the raw surface around %s: %w", p.Mount, err)
		}
		files = append(files, text(report.PatchFolder+p.File, b.Bytes()))
	}
	return files, nil
}

// rawPath is where a raw scan goes in the package: below scans/, in NFC.
func rawPath(p string) string {
	p = norm.NFC.String(p)
	if !strings.HasPrefix(p, "scans/") {
		p = path.Join("scans", p)
	}
	return p
}

func (r Request) raw(out *Outcome) []bag.File {
	var files []bag.File
	for i := range out.Built.Files {
		f := &out.Built.Files[i]
		if f.Scan > 0 {
			continue // its file is packed with the first scan
		}
		files = append(files, bag.File{Path: rawPath(f.Raw), Open: func() (io.ReadCloser, error) { return os.Open(f.Disk) }})
	}
	return files
}

// unchangedRaw compares the raw scans as they were packed with what was used.
func (r Request) unchangedRaw(out *Outcome, sums []bag.Sum) error {
	packed := map[string]string{}
	for _, s := range sums {
		packed[s.Path] = s.SHA512
	}
	for _, f := range out.Built.Files {
		sum, isPacked := packed[rawPath(f.Raw)]
		if !isPacked {
			continue
		}
		if want := out.Built.SHA512[f.Raw]; sum != want {
			return fmt.Errorf("%s changed between its use (SHA-512 %.16s…) and its packing (%.16s…); build again when the copying is over", f.Raw, want, sum)
		}
	}
	return nil
}

// sources lists every raw scan and whether it was used.
func (r Request) sources(out *Outcome) ([]byte, error) {
	rows := [][]string{{"path", "bytes", "sha512", "units", "used", "why_not"}}
	for i := range out.Built.Files {
		f := &out.Built.Files[i]
		why := out.Built.WhyNot(i)
		rows = append(rows, []string{f.Path, strconv.FormatInt(f.Bytes, 10), out.Built.SHA512[f.Raw], string(f.Units.Use()), yesNo(why == ""), why})
	}
	return report.CSV(rows)
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func sum512(path string) (sum string, n int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	h := sha512.New()
	n, err = io.CopyBuffer(h, f, make([]byte, 1<<20))
	if err := errors.Join(err, f.Close()); err != nil {
		return "", 0, err
	}
	return hex.EncodeToString(h.Sum(nil)), n, nil
}

func sumHex(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

func readSmall(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(io.LimitReader(f, most))
	return b, errors.Join(err, f.Close())
}
