package network

import (
	"bytes"
	"encoding/json"
	"os/exec"
	"testing"

	"trammel/pipeline/geom"
)

// reference solves the same adjustment by a general least-squares solver with
// complex steps for derivatives: rotation vectors on top of the poses given, residuals
// whitened by the Cholesky factor of each covariance. It prints χ² and the centres.
const reference = `
import json, sys
import numpy as np
from scipy.optimize import least_squares
from scipy.linalg import expm
d = json.load(sys.stdin)
R0 = [np.array(r).reshape(3, 3) for r in d["R"]]; T0 = [np.array(t) for t in d["T"]]
X0 = np.array(d["X"]); obs = d["Obs"]; K = len(R0); M = X0.mean(0)
L = [np.linalg.inv(np.linalg.cholesky(np.array(o["Cov"]).reshape(3, 3))) for o in obs]
y = [np.array(o["Center"]) for o in obs]
def f(p):
    X = X0 + p[6*(K-1):].reshape(-1, 3)
    P = [(R0[0], T0[0])]
    for k in range(1, K):
        a, b, c = p[6*k-6:6*k-3]/1000
        w = expm(np.array([[0, -c, b], [c, 0, -a], [-b, a, 0]]))
        P.append((w @ R0[k], w @ (T0[k]-M) + M + p[6*k-3:6*k]))
    out = [l @ (P[o["Station"]][0].T @ (X[o["Sphere"]]-P[o["Station"]][1]) - c) for o, l, c in zip(obs, L, y)]
    return np.concatenate(out)
s = least_squares(f, np.zeros(6*(K-1)+X0.size), method="trf", jac="cs", xtol=1e-15, ftol=1e-15, gtol=1e-15)
print(json.dumps({"Chi2": 2*s.cost, "X": (X0 + s.x[6*(K-1):].reshape(-1, 3)).tolist()}))
`

// The adjustment agrees with scipy's least_squares to
// 1e-9 of the network's size, also from a start that is off by millimetres.
func TestAgreesWithScipy(t *testing.T) {
	const python = "/usr/bin/python3" // the system's, with the system's packages
	if exec.Command(python, "-c", "import scipy.optimize").Run() != nil {
		t.Skip("python3 with scipy is not there; install it (python3-scipy) to compare the adjustment with it")
	}
	st, _ := sim{spheres: layout(), stations: 4, sigma: 0.2, hidden: func(k, s int) bool { return k == s }}.make(60)
	r := solve(t, st, exactly)
	type observation struct {
		Station, Sphere int
		Center          [3]float64
		Cov             geom.Mat
	}
	var in struct {
		R   []geom.Mat
		T   [][3]float64
		X   [][3]float64
		Obs []observation
	}
	for k, s := range r.Stations {
		pose := s.StationToNetwork
		if k > 0 {
			pose = geom.Pose{R: geom.RotVec(geom.Vec{X: 2e-4, Z: -3e-4}).Mul(pose.R), T: pose.T.Add(geom.Vec{X: 1, Y: -2})}
		}
		in.R, in.T = append(in.R, pose.R), append(in.T, pose.T.Array())
		for j, o := range st[k].Observations {
			in.Obs = append(in.Obs, observation{k, s.Spheres[j], o.Center.Array(), o.Cov})
		}
	}
	for _, x := range r.Spheres {
		in.X = append(in.X, x.Center.Add(geom.Vec{X: 0.3, Z: -0.2}).Array())
	}
	data, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", reference)
	cmd.Stdin = bytes.NewReader(data)
	printed, err := cmd.Output()
	if err != nil {
		t.Fatalf("run scipy: %v", err)
	}
	var want struct {
		Chi2 float64
		X    [][3]float64
	}
	if err := json.Unmarshal(printed, &want); err != nil {
		t.Fatal(err)
	}
	within(t, "χ²", r.Chi2, want.Chi2, 1e-9*want.Chi2)
	const size = 5000 // of the network, mm
	for i, x := range r.Spheres {
		if d := x.Center.Dist(geom.FromArray(want.X[i])); d > 1e-9*size {
			t.Errorf("%s is %g mm off", x.ID, d)
		}
	}
}
