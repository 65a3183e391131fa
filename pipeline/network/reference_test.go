package network

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"trammel/pipeline/geom"
)

// A network adjusted by a general reference library (scipy's least_squares, see
// the file's source): poses and centres agree to 1e-9 of their size, χ² and
// covariances to the accuracy of the reference's differences.
func TestAgreesWithReferenceLibrary(t *testing.T) {
	data, err := os.ReadFile("testdata/least-squares.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Stations [][]struct {
			Center [3]float64
			Cov    geom.Mat
		}
		Sphere      [][]int
		Chi2        float64
		Rotation    []geom.Mat
		Translation [][3]float64
		Centers     [][3]float64
		PoseCov     [][36]float64 `json:"pose_cov"`
		CenterCov   []geom.Mat    `json:"center_cov"`
	}
	if err := json.Unmarshal(data, &ref); err != nil {
		t.Fatal(err)
	}
	var st []Station
	for _, obs := range ref.Stations {
		s := Station{Name: string(rune('a' + len(st)))}
		for _, o := range obs {
			s.Observations = append(s.Observations, Observation{Center: geom.FromArray(o.Center), Cov: o.Cov})
		}
		st = append(st, s)
	}
	r := solve(t, st, exactly)
	sameCodes(t, r)
	within(t, "χ²", r.Chi2, ref.Chi2, 1e-6*ref.Chi2)
	size := 5000.0 // of the network, mm
	for k, s := range r.Stations {
		for x := range ref.Rotation[k] {
			within(t, "rotation", s.StationToNetwork.R[x], ref.Rotation[k][x], 1e-9)
		}
		if d := s.StationToNetwork.T.Dist(geom.FromArray(ref.Translation[k])); d > 1e-9*size {
			t.Errorf("translation of station %d is %g mm off", k, d)
		}
		for x := range s.Cov {
			if k > 0 {
				want := ref.PoseCov[k-1]
				scale := math.Sqrt(want[x/6*7] * want[x%6*7])
				within(t, "pose covariance", s.Cov[x]/scale, want[x]/scale, 1e-5)
			}
		}
	}
	for i, s := range r.Spheres {
		if d := s.Center.Dist(geom.FromArray(ref.Centers[i])); d > 1e-9*size {
			t.Errorf("sphere %d is %g mm off", i, d)
		}
		for x := range s.Cov {
			want := ref.CenterCov[i]
			scale := math.Sqrt(want[x/3*4] * want[x%3*4])
			within(t, "covariance of a centre", s.Cov[x]/scale, want[x]/scale, 1e-5)
		}
	}
}
