package pipeline

import (
	"context"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/mount"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

const measureVersion = 10

// allPlaced lists every scan that has a place.
func (b *Built) allPlaced() []placed { return append(b.placedStations(), b.placedTracked()...) }

// framed reports whether what the sheet places in the datum's frame can be
// looked for: without a datum in the sheet the network's frame is meant.
func (b *Built) framed() bool { return b.Datum == nil || b.Datum.OK }

// measure looks for the mounts in the registered raw points.
func (r *run) measure(ctx context.Context, b *Built) error {
	if len(b.Job.Mounts) == 0 {
		return nil
	}
	if !b.framed() {
		for _, m := range b.Job.Mounts {
			b.Mounts = append(b.Mounts, mount.Lost(m, "the datum does not fit, so that nothing says where to look"))
		}
		b.takeMountFindings()
		return nil
	}
	list := b.allPlaced()
	key, err := b.stageKey("measure", measureVersion, struct {
		Mounts []job.Mount
		Frame  string
	}{b.Job.Mounts, b.frameDoubt()}, list)
	if err != nil {
		return err
	}
	m, err := stage.Run(r.store, "measure", "job", key, stage.JSON[measured](), func() (measured, error) { return r.measureNow(ctx, b, list) })
	b.Mounts, b.Pitches = m.Mounts, m.Pitches
	b.takeMountFindings()
	return err
}

// measured is what the measure stage keeps.
type measured struct {
	Mounts  []mount.Result
	Pitches []mount.Pitch
}

// elsewhere is how far around a mount that was not found one like it is looked
// for: a wrong sign or a swapped coordinate puts it farther off, a slip of the pen
// or a part mounted elsewhere within (common practice, no source).
const elsewhere = 250.0

func (r *run) measureNow(ctx context.Context, b *Built, list []placed) (measured, error) {
	var out measured
	seen, err := r.near(ctx, b, list, b.Job.Mounts)
	if err != nil {
		return out, err
	}
	each := make([][]mount.Result, len(b.Job.Mounts))
	err = par.Each(ctx, len(each), func(i int) error {
		each[i] = mount.MeasureAll(b.Job.Mounts[i:i+1], seen)
		return nil
	})
	if err != nil {
		return out, err
	}
	var wide []job.Mount
	for i, m := range b.Job.Mounts {
		if !each[i][0].Found {
			m.Within = max(elsewhere, m.Within)
			wide = append(wide, m)
		}
	}
	if len(wide) > 0 {
		around, err := r.near(ctx, b, list, wide)
		if err != nil {
			return out, err
		}
		for i, m := range b.Job.Mounts {
			if !each[i][0].Found {
				each[i][0] = mount.Elsewhere(m, each[i][0], around, max(elsewhere, m.Within))
			}
		}
	}
	for _, e := range each {
		out.Mounts = append(out.Mounts, e...)
	}
	out.Pitches = mount.Pitches(out.Mounts, seen)
	return out, nil
}

func (b *Built) takeMountFindings() {
	for _, m := range b.Mounts {
		b.Findings = append(b.Findings, m.Findings...)
	}
}

// frameDoubt identifies the covariances that mounts inherit: they follow from the
// network, the alignments and the datum.
func (b *Built) frameDoubt() string {
	var at []geom.Vec
	for _, m := range b.Job.Mounts {
		at = append(at, m.Near)
	}
	return b.doubtAt(b.allPlaced(), at)
}

// doubtAt identifies the covariances of placed scans at some places.
func (b *Built) doubtAt(list []placed, at []geom.Vec) string {
	var doubt strings.Builder
	for _, p := range list {
		for _, v := range at {
			_, _ = fmt.Fprintf(&doubt, "%x ", p.cov(v)) // a Builder never fails
		}
	}
	return doubt.String()
}

// stageKey is the key of a job-level stage over placed scans.
func (b *Built) stageKey(name string, version int, params any, list []placed) (stage.Key, error) {
	keys, err := b.keysOf(list)
	if err != nil {
		return stage.Key{}, err
	}
	return stage.KeyOf(name, version, params, keys...)
}

// near gathers, instrument by instrument, the points within reach of any of the
// mounts.
func (r *run) near(ctx context.Context, b *Built, list []placed, mounts []job.Mount) ([]mount.Seen, error) {
	var out []mount.Seen
	for i, ins := range b.Job.Instruments {
		s := mount.Seen{Instrument: ins.Name, Noise: ins.Noise}
		var own []placed
		for k, p := range list {
			if b.Files[p.file].Instrument != i {
				continue
			}
			own = append(own, p)
			r.progress("measuring mounts", b.Files[p.file].Path, k, len(list))
			content, err := b.read(ctx, p.file)
			if err != nil {
				return nil, err
			}
			s.Points = appendNear(s.Points, pointsOf(content), p.toFrame, mounts)
		}
		if len(own) == 0 {
			continue
		}
		s.FrameCov = func(p geom.Vec) geom.Mat { return meanCov(own, p) }
		s.DatumCov = b.datumCov
		s.Rigid = ins.Kind == job.Tracked || len(own) == 1
		out = append(out, s)
	}
	return out, nil
}

func appendNear(out []geom.Vec, c *scan.Cloud, toFrame geom.Pose, mounts []job.Mount) []geom.Vec {
	for i := range c.Len() {
		p := toFrame.Apply(c.At(i))
		for _, m := range mounts {
			if reach := mount.Reach(m); p.Sub(m.Near).Norm2() <= reach*reach {
				out = append(out, p)
				break
			}
		}
	}
	return out
}

// meanCov is the mean of what the scans' places are worth at p: several set-ups
// that see a hole share much of their doubt, so nothing is won by their number.
func meanCov(list []placed, p geom.Vec) geom.Mat {
	var sum geom.Mat
	for _, s := range list {
		sum = sum.Add(s.cov(p))
	}
	return sum.Scale(1 / float64(len(list)))
}

const sumVersion = 1

// sumRaw takes the SHA-512 of every raw scan for the list of sources.
func (r *run) sumRaw(_ context.Context, b *Built) error {
	b.SHA512 = map[string]string{}
	for i := range b.Files {
		f := &b.Files[i]
		key, err := stage.KeyOf("sum512", sumVersion, f.SHA256)
		if err != nil {
			return err
		}
		if _, done := b.SHA512[f.Raw]; done {
			continue
		}
		b.SHA512[f.Raw], err = stage.Run(r.store, "sum512", f.Raw, key, stage.JSON[string](), func() (string, error) { return sum512(f.Disk) })
		if err != nil {
			return err
		}
	}
	return nil
}

func sum512(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	h := sha512.New()
	_, err = io.CopyBuffer(h, f, make([]byte, 1<<20))
	return hex.EncodeToString(h.Sum(nil)), errors.Join(err, f.Close())
}

// WhyNot says why a file did not enter the result, or returns "" for one that
// did.
func (b *Built) WhyNot(file int) string {
	f := &b.Files[file]
	switch {
	case f.SameAs != "":
		return "same content as " + f.SameAs
	case !f.usable():
		for _, x := range f.Findings {
			if x.Severity == job.Hold {
				return string(x.Code)
			}
		}
		return "not readable"
	}
	for _, p := range b.allPlaced() {
		if p.file == file {
			return ""
		}
	}
	return string(job.StationUnlinked)
}
