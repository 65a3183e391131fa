package pipeline

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"math"

	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/intake"
	"trammel/pipeline/job"
	"trammel/pipeline/normal"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

// placed is a scan with its place: what the stages behind the network work on.
type placed struct {
	file    int       // index into Files
	toFrame geom.Pose // file's frame → frame of the deliverables
	// cov is what registration and datum add at a place of the frame, tie what
	// registration alone does.
	cov, tie func(p geom.Vec) geom.Mat
	solved   int // index into Network.Stations; -1 where spheres did not place it
}

// placedStations lists the set-ups that are tied, in the order of the files.
func (b *Built) placedStations() []placed {
	var out []placed
	for _, s := range b.Stations {
		if !s.Linked {
			continue
		}
		toFrame := b.ToFrame.After(s.ToNetwork)
		out = append(out, b.placedAt(s.File, toFrame, s.Solved, func(p geom.Vec) geom.Mat {
			if s.BySurface != nil {
				return b.ToFrame.R.Congruent(s.BySurface.At(b.ToFrame.Inverse().Apply(p)))
			}
			if b.Network == nil || s.Solved < 0 {
				return geom.Mat{}
			}
			return b.ToFrame.R.Congruent(b.Network.PointCov(s.Solved, toFrame.Inverse().Apply(p)))
		}))
	}
	return out
}

// placedTracked lists the tracked scans that are tied.
func (b *Built) placedTracked() []placed {
	var out []placed
	for _, t := range b.Tracked {
		if t.Linked {
			hold := t.Hold
			out = append(out, b.placedAt(t.File, b.ToFrame.After(t.ToNetwork), -1, func(p geom.Vec) geom.Mat {
				return b.ToFrame.R.Congruent(hold.At(b.ToFrame.Inverse().Apply(p)))
			}))
		}
	}
	return out
}

// WorstSigma is what registration leaves at the worst corner of a tracked scan's box, 1
// sigma in space, mm.
func (b *Built) WorstSigma(t Tracked) float64 {
	worst := 0.0
	for _, c := range b.Files[t.File].Bounds.Corners() {
		worst = max(worst, math.Sqrt(max(0, t.Hold.At(t.ToNetwork.Apply(c)).Trace())))
	}
	return worst
}

func (b *Built) placedAt(file int, toFrame geom.Pose, solved int, tie func(p geom.Vec) geom.Mat) placed {
	return placed{file: file, toFrame: toFrame, solved: solved, tie: tie, cov: func(p geom.Vec) geom.Mat { return tie(p).Add(b.datumCov(p)) }}
}

// datumCov is what the datum adds to the covariance at a place of the frame.
func (b *Built) datumCov(p geom.Vec) geom.Mat {
	if b.Datum == nil || !b.Datum.OK {
		return geom.Mat{}
	}
	return b.Datum.Cov.At(p.Sub(b.Datum.Center))
}

// key returns what identifies a placed scan's content and place.
func (b *Built) key(p placed) (stage.Key, error) {
	f := &b.Files[p.file]
	sum, err := hex.DecodeString(f.SHA256)
	if err != nil {
		return stage.Key{}, fmt.Errorf("digest of %s: %w", f.Path, err)
	}
	return stage.KeyOf("placed", 1, struct {
		Units string
		Kind  job.Kind
		Pose  geom.Pose
		Noise float64
		Pref  bool
	}{string(f.Units.Use()), f.Kind, p.toFrame, b.noise(p.file), b.Job.Instruments[f.Instrument].Prefer}, stage.Key(sum))
}

// keysOf identifies a list of placed scans.
func (b *Built) keysOf(list []placed) ([]stage.Key, error) {
	keys := make([]stage.Key, len(list))
	for i, p := range list {
		var err error
		if keys[i], err = b.key(p); err != nil {
			return nil, err
		}
	}
	return keys, nil
}

// noise is the range noise that the sheet states for a file, or 0.
func (b *Built) noise(file int) float64 { return b.Job.Instruments[b.Files[file].Instrument].Noise }

// read loads a scan in millimetres, in its own frame.
func (b *Built) read(ctx context.Context, file int) (format.Content, error) {
	f := &b.Files[file]
	content, _, err := readScan(ctx, f.Disk, f.Scan, isSetUp(f.Kind), scaleOf(f.Units))
	return content, err
}

// isSetUp reports whether a scan's zero point is the scanner's own place.
func isSetUp(kind job.Kind) bool { return kind == job.Station }

// readScan reads a scan of a file and leaves out what cannot be a point of it.
func readScan(ctx context.Context, path string, index int, setUp bool, scale float64) (content format.Content, left intake.Left, err error) {
	content, err = format.Read(ctx, path, index, scale)
	if err != nil {
		return content, left, err
	}
	if content.Mesh != nil {
		left.Absurd = content.Invalid() + intake.DropAbsurdVertices(content.Mesh)
		return content, left, nil
	}
	if setUp {
		left = intake.DropZero(content.Cloud)
	}
	left.Absurd = content.Invalid() + intake.DropAbsurd(content.Cloud)
	return content, left, nil
}

// withNormals loads a scan as points with normals and says how noisy they are
// across the surface.
func (b *Built) withNormals(ctx context.Context, file int) (*scan.Cloud, normal.View, error) {
	content, err := b.read(ctx, file)
	if err != nil {
		return nil, normal.View{}, err
	}
	if content.Mesh != nil && b.Files[file].Kind == job.Tracked {
		return content.Mesh.Cloud(), normal.View{}, nil
	}
	c := pointsOf(content)
	v, err := normal.Estimate(ctx, c, normal.Options{Kind: b.seenFrom(file)})
	if errors.Is(err, normal.ErrView) {
		v, err = normal.Estimate(ctx, c, normal.Options{Kind: normal.Station}) // what the job sheet says of it
	}
	return c, v, err
}

// seenFrom says from where a set-up was seen, where that is known: set-ups with
// reference spheres come from a scanner at the file's origin.
func (b *Built) seenFrom(file int) normal.Kind {
	if b.Job.Instruments[b.Files[file].Instrument].Register == job.BySpheres {
		return normal.Station
	}
	return normal.Auto
}
