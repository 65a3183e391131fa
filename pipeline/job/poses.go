package job

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"trammel/pipeline/geom"
)

// posesHeader is the first line of a poses.csv.
var posesHeader = []string{"file", "tx", "ty", "tz", "qw", "qx", "qy", "qz"}

// unitSlack is how far from 1 a quaternion's norm may be: four numbers rounded
// to three decimals are off by less.
const unitSlack = 2e-3

// ReadPoses reads the poses.csv of an instrument's drop folder: file frame →
// common frame, lengths in the instrument's units, returned in millimetres and
// keyed by the scan's path relative to the job folder. text is the file's
// content. A missing file gives an error that satisfies fs.ErrNotExist; a wrong
// one a *SheetError.
func ReadPoses(dir string, i Instrument) (poses map[string]geom.Pose, text []byte, err error) {
	name := path.Join(i.Drop, PosesCSV)
	text, err = os.ReadFile(filepath.Join(dir, filepath.FromSlash(name)))
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, nil, fmt.Errorf("poses of %s: %w", i.Name, err)
		}
		return nil, nil, err
	}
	poses, err = parsePoses(name, text, i)
	return poses, text, err
}

func parsePoses(name string, text []byte, i Instrument) (map[string]geom.Pose, error) {
	d := &decoder{file: name}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))))
	r.FieldsPerRecord, r.TrimLeadingSpace = -1, true
	poses := map[string]geom.Pose{}
	for first := true; ; first = false {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		line := 0
		if err == nil {
			line, _ = r.FieldPos(0)
		}
		switch {
		case err != nil:
			d.problems = append(d.problems, Problem{Key: "", Wrong: err.Error(), Right: "write one pose a line, separated by commas"})
			return nil, d.err()
		case first:
			if !slices.Equal(row, posesHeader) {
				d.wrongRow(line, "", "the header is %q", strings.Join(row, ","))
			}
		default:
			d.poseRow(line, row, i, poses)
		}
	}
	if len(poses) == 0 && len(d.problems) == 0 {
		d.wrongRow(0, "", "it holds no pose")
	}
	return poses, d.err()
}

func (d *decoder) wrongRow(line int, key, wrong string, args ...any) {
	d.problems = append(d.problems, Problem{Line: line, Key: key, Wrong: fmt.Sprintf(wrong, args...),
		Right: "write the header " + strings.Join(posesHeader, ",") + " and a line for each scan: its file name in this folder, a position in the instrument's units and a unit quaternion"})
}

func (d *decoder) poseRow(line int, row []string, i Instrument, poses map[string]geom.Pose) {
	if len(row) != len(posesHeader) {
		d.wrongRow(line, "", "the line has %d fields instead of %d", len(row), len(posesHeader))
		return
	}
	var v [7]float64
	for k := range v {
		x, err := strconv.ParseFloat(strings.TrimSpace(row[k+1]), 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			d.wrongRow(line, posesHeader[k+1], "%q is not a number", row[k+1])
			return
		}
		v[k] = x
	}
	q := geom.Quat{W: v[3], X: v[4], Y: v[5], Z: v[6]}
	if n := math.Sqrt(q.W*q.W + q.X*q.X + q.Y*q.Y + q.Z*q.Z); math.Abs(n-1) > unitSlack {
		d.wrongRow(line, "qw", "the quaternion has the length %.4g instead of 1", n)
		return
	}
	file := path.Join(i.Drop, path.Clean(filepath.ToSlash(strings.TrimSpace(row[0]))))
	if _, twice := poses[file]; twice {
		d.wrongRow(line, "file", "%q stands twice", row[0])
		return
	}
	poses[file] = geom.Pose{R: q.Mat(), T: geom.Vec{X: v[0], Y: v[1], Z: v[2]}.Scale(i.Units.MM())}
}
