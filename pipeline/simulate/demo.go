// Package simulate is the virtual capture of demo and tests: an analytic scene,
// a tripod scanner that casts rays against it, a tracked hand scanner, and the
// truth that real captures never come with.
//
// Parts of simple shape and given material go in; clouds in a scanner's own
// frame and meshes of a hand scanner come out, with range noise, drop-out on
// dark, glossy and translucent surfaces and mixed pixels at depth edges. Demo
// writes a whole job folder of an invented scenario with them. Rays are solved
// in closed form or, for rings and rounded bodies, by sphere tracing (J. C. Hart,
// Sphere tracing, The Visual Computer 12, 1996) under a bounding volume hierarchy.
//
// The effects are modelled in kind, with plausible figures; nothing here is a
// statement about a real instrument. Random numbers depend on the seed alone.
package simulate

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"

	"trammel/pipeline/disk"
	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// What DemoOptions take where they are zero: a capture that is worked through in
// well under a minute on two cores.
const (
	DefaultSetUps = 8
	DefaultStep   = 0.11 // degrees: some 440,000 points a set-up, 8 mm apart at 4 m
	DefaultSeed   = 1
)

// DemoOptions scale the demo; zero values take the defaults. 16 set-ups at a
// step of 0.025 are about 16 × 9 million points.
type DemoOptions struct {
	SetUps int
	Step   float64 // of the tripod scanner, degrees
	Seed   uint64
}

// Placed is a scan and its true place.
type Placed struct {
	Path        string     `json:"path"`     // relative to the job folder
	Rotation    [9]float64 `json:"rotation"` // file frame → sprayer's frame, row-major
	Translation [3]float64 `json:"translation"`
	Points      int        `json:"points"`
}

// Pose returns the true pose, file frame in millimetres → sprayer's frame.
func (p *Placed) Pose() geom.Pose { return geom.Pose{R: p.Rotation, T: geom.FromArray(p.Translation)} }

func placed(path string, toScene geom.Pose, points int) Placed {
	return Placed{Path: path, Rotation: toScene.R, Translation: toScene.T.Array(), Points: points}
}

// Truth is what the simulation knows; lengths in millimetres, in the sprayer's
// own frame, which is the datum's. It stands in truth.json of the job folder,
// where the pipeline does not look.
type Truth struct {
	Format   string   `json:"format"`
	Seed     uint64   `json:"seed"`
	Stations []Placed `json:"stations"`
	Hand     []Placed `json:"hand"`
	Spheres  []Ball   `json:"spheres"`
	Holes    []Hole   `json:"holes"`
}

// Demo writes a job folder below dir: the job sheet, the scans of the invented
// capture and truth.json. One scan is in memory at a time. Files that exist are
// replaced.
func Demo(ctx context.Context, dir string, d *disk.Disk, o DemoOptions) (Truth, error) {
	o = o.filled()
	c := newCapture(o)
	for _, sub := range []string{"scans/tripod", "scans/hand"} {
		if err := d.Mkdir(filepath.Join(dir, filepath.FromSlash(sub))); err != nil {
			return Truth{}, err
		}
	}
	for i := range o.SetUps {
		if err := c.station(ctx, dir, d, i); err != nil {
			return Truth{}, err
		}
	}
	if err := c.hand(ctx, dir, d); err != nil {
		return Truth{}, err
	}
	if err := d.Write(filepath.Join(dir, "truth.json"), c.writeTruth); err != nil {
		return Truth{}, err
	}
	return c.truth, d.Write(filepath.Join(dir, "job.yaml"), c.writeSheet)
}

func (o DemoOptions) filled() DemoOptions {
	if o.SetUps == 0 {
		o.SetUps = DefaultSetUps
	}
	if o.Step == 0 {
		o.Step = DefaultStep
	}
	if o.Seed == 0 {
		o.Seed = DefaultSeed
	}
	return o
}

// capture is the scene, the places and what was recorded of them.
type capture struct {
	o      DemoOptions
	scene  *Scene // with everything around
	body   *Scene // the sprayer alone
	random *rand.Rand
	truth  Truth
}

func newCapture(o DemoOptions) *capture {
	parts, holes := sprayer()
	spheres := balls()
	return &capture{
		o: o, body: NewScene(parts...), scene: NewScene(append(surroundings(spheres), parts...)...),
		random: rand.New(rand.NewPCG(o.Seed, 0x5eed)),
		truth:  Truth{Format: "trammel-truth/1", Seed: o.Seed, Spheres: spheres, Holes: holes},
	}
}

// jitter returns a number from -1 to 1.
func (c *capture) jitter() float64 { return 2*c.random.Float64() - 1 }

func (c *capture) station(ctx context.Context, dir string, d *disk.Disk, i int) error {
	toScene := setUp(i, c.o.SetUps, c.jitter)
	cloud, err := NewTripod(c.o.Step).Scan(ctx, c.scene, toScene, c.o.Seed+uint64(i+1)<<40)
	if err != nil {
		return err
	}
	path := fmt.Sprintf("scans/tripod/s%02d.ply", i+1)
	c.truth.Stations = append(c.truth.Stations, placed(path, toScene, cloud.Len()))
	return d.Write(filepath.Join(dir, filepath.FromSlash(path)), func(w io.Writer) error {
		return format.WritePLYCloud(w, cloud, format.WriteOptions{Units: length.Metre, Comments: []string{"simulated tripod scan of an invented machine"}})
	})
}

// hand writes the scan of the underside, roughly in the sprayer's frame as a
// person places it by eye: within some centimetres and a degree.
func (c *capture) hand(ctx context.Context, dir string, d *disk.Disk) error {
	w := geom.Vec{X: c.jitter(), Y: c.jitter(), Z: c.jitter()}.Scale(0.008)
	t := geom.Vec{X: c.jitter(), Y: c.jitter(), Z: c.jitter()}.Scale(15)
	handToScene := geom.Pose{R: geom.RotVec(w), T: t}
	mesh, err := c.scanUnderside(ctx, handToScene)
	if err != nil {
		return err
	}
	const path = "scans/hand/underside.ply"
	c.truth.Hand = append(c.truth.Hand, placed(path, handToScene, mesh.Vertices()))
	return d.Write(filepath.Join(dir, filepath.FromSlash(path)), func(w io.Writer) error {
		return format.WritePLYMesh(w, mesh, format.WriteOptions{Units: length.Millimetre, Comments: []string{"simulated hand scan of an invented machine"}})
	})
}

// Spacings of the hand scan, mm.
const (
	fineSpacing    = 1.0 // at the plates
	coarseSpacing  = 2.5 // of the rest of the underside, looked at from below
	obliqueSpacing = 4.0 // of the sweeps from the sides, which see the flanks
)

// scanUnderside sweeps the plates finely and the underside coarsely, from below
// and aslant from four sides: without the flanks of the beams, a flat underside
// could slide along itself when it is aligned. Both ends are swept from above as
// well: the tripod sees hardly anything that faces down, so that only faces that
// look up hold the height and the pitch of this scan.
func (c *capture) scanUnderside(ctx context.Context, handToScene geom.Pose) (*scan.Mesh, error) {
	area := geom.Box{Min: vec(-1500, -560, 380), Max: vec(1450, 560, 640)}
	up := vec(0, 0, 1)
	sweeps := []Sweep{{Direction: up, Area: area, Spacing: coarseSpacing}}
	for _, x := range []float64{frontPlateX, rearPlateX} {
		for _, side := range []float64{-1, 1} {
			m := vec(x, side*beamLine, plateBottom)
			r := vec(plateHalfX+20, plateHalfY+20, 100)
			fine := geom.Box{Min: m.Sub(r), Max: m.Add(r)}
			sweeps[0].Skip = append(sweeps[0].Skip, fine)
			sweeps = append(sweeps, Sweep{Direction: up, Area: fine, Spacing: fineSpacing})
		}
	}
	for _, aslant := range []geom.Vec{vec(0.7, 0, 1), vec(-0.7, 0, 1), vec(0, 0.7, 1), vec(0, -0.7, 1)} {
		sweeps = append(sweeps, Sweep{Direction: aslant, Area: area, Spacing: obliqueSpacing})
	}
	for _, end := range []geom.Box{{Min: vec(1150, -560, 540), Max: vec(2560, 560, 640)}, {Min: vec(-1520, -560, 540), Max: vec(-1150, 560, 640)}} {
		sweeps = append(sweeps, Sweep{Direction: vec(0, 0, -1), Area: end, Spacing: obliqueSpacing})
	}
	return NewHand(area.Min.Z, area.Max.Z).Scan(ctx, c.body, handToScene, sweeps, c.o.Seed+0xa4d)
}

func (c *capture) writeTruth(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(c.truth)
}
