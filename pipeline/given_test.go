package pipeline

import (
	"math"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
	"trammel/pipeline/sphere"
)

// givenJob is three set-ups with known poses that see four spheres; the last
// set-up's pose is off by shift.
func givenJob(shift geom.Vec) *Checked {
	truth := []geom.Vec{{X: 1000}, {X: -800, Y: 900, Z: 300}, {Y: -1200, Z: 900}, {X: 2000, Y: 2000, Z: 500}}
	poses := []geom.Pose{geom.IdentityPose(), {R: geom.RotVec(geom.Vec{Z: 1}), T: geom.Vec{X: 3000}}, {R: geom.RotVec(geom.Vec{Z: -2, X: 0.1}), T: geom.Vec{Y: 2500, Z: 100}}}
	c := &Checked{}
	for k, p := range poses {
		f := File{Path: string(rune('a' + k))}
		for _, at := range truth[:len(truth)-k%2] {
			f.Spheres = append(f.Spheres, sphere.Sphere{Center: p.Inverse().Apply(at), Cov: geom.Diag(0.01, 0.01, 0.01), Nominal: 145, Usable: true})
		}
		c.Files = append(c.Files, f)
		c.Stations = append(c.Stations, Station{File: k, ToNetwork: p, Linked: true, Solved: -1})
	}
	c.Stations[2].ToNetwork.T = c.Stations[2].ToNetwork.T.Add(shift)
	return c
}

func TestGivenPosesMeetInTheSpheres(t *testing.T) {
	c := givenJob(geom.Vec{})
	c.meetGiven()
	n := c.Network
	if n == nil || len(n.Spheres) != 4 || n.DOF != 21 || n.Sigma0 > 1e-6 || len(c.Findings) != 0 {
		t.Fatalf("got %+v, %v", n, c.Findings)
	}
	if s := n.Spheres[0]; s.Center.Dist(geom.Vec{X: 1000}) > 1e-9 || len(s.Stations) != 3 || s.Status != network.Used || math.Abs(s.Cov[0]-0.01/3) > 1e-9 {
		t.Errorf("got %+v", s)
	}
	if s := n.Spheres[3]; len(s.Stations) != 2 {
		t.Errorf("the fourth sphere was seen by %v", s.Stations)
	}
}

func TestWrongGivenPoseIsBlamed(t *testing.T) {
	c := givenJob(geom.Vec{X: 12})
	c.meetGiven()
	if len(c.Findings) == 0 || c.Findings[len(c.Findings)-1].Subject != "c" || c.Findings[0].Code != job.OverlapBias {
		t.Errorf("got %v", c.Findings)
	}
}

func TestNoSpheresNoNetwork(t *testing.T) {
	c := &Checked{Files: []File{{Path: "a"}}, Stations: []Station{{Linked: true, Solved: -1}}}
	c.meetGiven()
	if c.Network != nil {
		t.Errorf("got %+v", c.Network)
	}
}
