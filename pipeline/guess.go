package pipeline

import (
	"errors"
	"io/fs"
	"maps"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// guess returns where the poses that the files bring, or poses.csv gives, put a body on
// those that have a place, the nearest in the list: it is tried, not believed.
func (t *tying) guess(b *body, on []int) []geom.Pose {
	own, ok := t.poseOf(b.file)
	best := -1
	for _, i := range on {
		if _, known := t.poseOf(t.bodies[i].file); known && (best < 0 || t.steps(b, i) < t.steps(b, best)) {
			best = i
		}
	}
	if !ok || best < 0 {
		return nil
	}
	other, _ := t.poseOf(t.bodies[best].file)
	return []geom.Pose{t.bodies[best].toNetwork.After(other.Inverse()).After(own)}
}

func (t *tying) poseOf(file int) (geom.Pose, bool) {
	if p := t.built.Files[file].Pose; p != nil {
		return *p, true
	}
	p, ok := t.listed[t.built.Files[file].Path]
	return p, ok
}

// listPoses reads the poses.csv of the instruments that are tied by surface.
func (t *tying) listPoses() error {
	t.listed = map[string]geom.Pose{}
	for _, ins := range t.checked.Job.Instruments {
		if ins.Kind != job.Station {
			continue
		}
		poses, _, err := job.ReadPoses(t.checked.Dir, posesUnits(ins, t.checked))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		maps.Copy(t.listed, poses)
	}
	return nil
}
