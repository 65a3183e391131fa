package feature

import (
	"bufio"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

const pairsDir = "../../../../shared/data/registration-pairs/"

// rows reads the lines of numbers of a file, separated by blanks or commas; lines
// of words are left out.
func rows(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open(pairsDir + name)
	if err != nil {
		t.Skip("the registration pairs are not here; they stand in shared/data/registration-pairs:", err)
	}
	defer func() { _ = f.Close() }()
	var r io.Reader = f
	if strings.HasSuffix(name, ".gz") {
		if r, err = gzip.NewReader(f); err != nil {
			t.Fatal(err)
		}
	}
	var out [][]float64
	for s := bufio.NewScanner(r); s.Scan(); {
		var v [3]float64
		if n, _ := fmt.Sscan(strings.ReplaceAll(s.Text(), ",", " "), &v[0], &v[1], &v[2]); n == 3 { // a header has no three numbers
			out = append(out, v[:])
		}
	}
	return out
}

func places(t *testing.T, name string) []geom.Vec {
	t.Helper()
	var out []geom.Vec
	for _, r := range rows(t, name) {
		out = append(out, geom.Vec{X: r[0], Y: r[1], Z: r[2]})
	}
	return out
}

type expectedPair struct {
	Rotation    []float64 `json:"rotation"`
	Translation []float64 `json:"translation"`
	Scale       float64   `json:"scale"`
	Points      int       `json:"points"`
	Outliers    float64   `json:"outlier_ratio"`
	Bound       float64   `json:"noise_bound"`
	Scaled      *struct {
		Scale       float64   `json:"scale"`
		Rotation    []float64 `json:"rotation"`
		Translation []float64 `json:"translation"`
	} `json:"from_car_cloud400"`
}

func expected(t *testing.T, path string) expectedPair {
	t.Helper()
	text, err := os.ReadFile(pairsDir + "expected.json")
	if err != nil {
		t.Skip("the registration pairs are not here; they stand in shared/data/registration-pairs:", err)
	}
	var all struct {
		Files []struct {
			Path   string       `json:"path"`
			Expect expectedPair `json:"expect"`
		} `json:"files"`
	}
	if err := json.Unmarshal(text, &all); err != nil {
		t.Fatal(err)
	}
	for _, f := range all.Files {
		if f.Path == path {
			return f.Expect
		}
	}
	t.Fatalf("%s is not in expected.json", path)
	return expectedPair{}
}

func similarity(scale float64, r, x []float64) fit.SimilarityTransform {
	return fit.SimilarityTransform{Scale: scale, R: geom.Mat(r), T: geom.FromArray([3]float64(x))}
}

// off returns by how much two similarities differ in scale, angle (rad) and shift.
func off(a, b fit.SimilarityTransform) (scale, angle, shift float64) {
	return math.Abs(a.Scale/b.Scale - 1), geom.Angle(a.R.Mul(b.R.T())), a.T.Dist(b.T)
}

// The published cases of H. Yang, J. Shi, L. Carlone, TEASER (2020): up to nine in
// ten pairs are wrong, and the scale is unknown. Their exact answers come with them.
func TestPublishedSimilarities(t *testing.T) {
	for _, name := range []string{"similarity-1", "similarity-3", "similarity-5"} {
		want := expected(t, name+"/src.ply")
		from, to := places(t, name+"/src.ply"), places(t, name+"/dst.ply")
		if len(from) != want.Points || len(to) != want.Points {
			t.Fatalf("%s: %d and %d points, want %d", name, len(from), len(to), want.Points)
		}
		a, err := Consensus(context.Background(), from, to, ConsensusOptions{Bound: want.Bound, FreeScale: true})
		if err != nil {
			t.Fatal(name, err)
		}
		scale, angle, shift := off(a.SimilarityTransform, similarity(want.Scale, want.Rotation, want.Translation))
		t.Logf("%s: scale off by %.2g, %.2g rad, %.2g; %d of %d pairs agree, rms %.2g", name, scale, angle, shift, len(a.Inliers), len(from), a.RMS)
		if right := int(math.Round(float64(want.Points) * (1 - want.Outliers))); len(a.Inliers) != right || !a.Proven {
			t.Errorf("%s: %d pairs agree (proven %v), want %d", name, len(a.Inliers), a.Proven, right)
		}
		if scale > 1e-6 || angle > 1e-6 || shift > 1e-6 { // the files have 1e-8 or so
			t.Errorf("%s: scale off by %g, angle by %g rad, shift by %g", name, scale, angle, shift)
		}
	}
}

// A real scan and its copy, 1.04 times as large, turned by 0.2 rad and shifted by
// 2, 2, 2 (ETH Zurich ASL, libpointmatcher examples): all rows right, then seven in
// ten of them paired with a wrong one.
func TestScaledCopyOfARealScan(t *testing.T) {
	const name = "lidar-400/car_cloud400_scaled.csv.gz"
	want := expected(t, name)
	from, to := places(t, "lidar-400/car_cloud400.csv.gz"), places(t, name)
	truth := similarity(want.Scaled.Scale, want.Scaled.Rotation, want.Scaled.Translation)
	random := rand.New(rand.NewPCG(7, 7))
	for _, wrong := range []float64{0, 0.7} {
		mixed := slices.Clone(to)
		for i := range mixed {
			if random.Float64() < wrong {
				mixed[i] = to[random.IntN(len(to))]
			}
		}
		a, err := Consensus(context.Background(), from, mixed, ConsensusOptions{Bound: 1e-3, FreeScale: true}) // a millimetre, in metres
		if err != nil {
			t.Fatal(err)
		}
		scale, angle, shift := off(a.SimilarityTransform, truth)
		t.Logf("%.0f %% wrong: scale off by %.2g, %.2g rad, %.2g m; %d of %d pairs agree", 100*wrong, scale, angle, shift, len(a.Inliers), len(from))
		if scale > 1e-6 || angle > 1e-6 || shift > 1e-5 {
			t.Errorf("%.0f %% wrong: scale off by %g, angle by %g rad, shift by %g m", 100*wrong, scale, angle, shift)
		}
	}
	if _, err := Consensus(context.Background(), from, to, ConsensusOptions{Bound: 1e-6}); err == nil {
		t.Error("a copy 1.04 times as large agrees with a scale of one")
	}
}

func randomVec(r *rand.Rand, size float64) geom.Vec {
	return geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}.Scale(size)
}

// Any motion, unit and place is found through six wrong pairs in ten.
func TestConsensusHoldsForAnyMotion(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		unit := math.Pow(10, rapid.Float64Range(-3, 4).Draw(t, "unit"))
		free := rapid.Bool().Draw(t, "free")
		truth := fit.SimilarityTransform{Scale: 1, R: geom.RotVec(randomVec(r, 2)), T: randomVec(r, 1000*unit)}
		if free {
			truth.Scale = math.Exp(r.NormFloat64())
		}
		from, to := make([]geom.Vec, 60), make([]geom.Vec, 60)
		for i := range from {
			from[i] = randomVec(r, 100*unit)
			to[i] = truth.Apply(from[i])
			if i%5 < 3 {
				to[i] = to[i].Add(randomVec(r, 100*unit))
			}
		}
		a, err := Consensus(context.Background(), from, to, ConsensusOptions{Bound: 1e-3 * unit, FreeScale: free})
		if err != nil {
			t.Fatal(err)
		}
		scale, angle, shift := off(a.SimilarityTransform, truth)
		if len(a.Inliers) != 24 || scale > 1e-6 || angle > 1e-6 || shift > 1e-3*unit {
			t.Fatalf("%d pairs, scale off by %g, angle by %g, shift by %g in units of %g", len(a.Inliers), scale, angle, shift, unit)
		}
	})
}

func TestConsensusRefuses(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	line, noise, other := make([]geom.Vec, 30), make([]geom.Vec, 30), make([]geom.Vec, 30)
	nan := make([]geom.Vec, 30)
	for i := range line {
		line[i] = geom.Vec{X: float64(i)}
		noise[i], other[i] = randomVec(r, 100), randomVec(r, 100)
		nan[i] = geom.Vec{X: math.NaN()}
	}
	cases := []struct {
		name     string
		from, to []geom.Vec
		bound    float64
	}{
		{"nothing", nil, nil, 1},
		{"three pairs", noise[:3], noise[:3], 1},
		{"unequal numbers", noise, noise[:9], 1},
		{"no bound", noise, noise, 0},
		{"a bound that is no number", noise, noise, math.NaN()},
		{"points that are no numbers", noise, nan, 1},
		{"unrelated points", noise, other, 0.01},
		{"points on a line", line, line, 1},
		{"one point thirty times", make([]geom.Vec, 30), make([]geom.Vec, 30), 1},
	}
	for _, c := range cases {
		for _, free := range []bool{false, true} {
			if a, err := Consensus(context.Background(), c.from, c.to, ConsensusOptions{Bound: c.bound, FreeScale: free}); !errors.Is(err, ErrNoConsensus) {
				t.Errorf("%s, free scale %v: got %v, %v", c.name, free, a, err)
			}
		}
	}
}

// The largest clique of small random graphs is the one that trying all sets finds.
func TestLargestCliqueByExhaustion(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "n")
		density := rapid.Float64Range(0, 1).Draw(t, "density")
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		joined := make([]bool, n*n)
		for i := range n {
			for j := range i {
				joined[i*n+j] = r.Float64() < density
			}
		}
		g, err := newGraph(context.Background(), n, func(i, j int) bool { return joined[max(i, j)*n+min(i, j)] })
		if err != nil {
			t.Fatal(err)
		}
		want := 0
		for set := range 1 << n {
			if k := cliqueSize(g, set); k > want {
				want = k
			}
		}
		got, proven := g.largestClique(cliqueSteps)
		for i, a := range got {
			for _, b := range got[:i] {
				if !g.joined(a, b) {
					t.Fatalf("%v is not a clique", got)
				}
			}
		}
		if len(got) != want || !proven {
			t.Fatalf("%d of %d, proven %v", len(got), want, proven)
		}
	})
}

// cliqueSize returns the number of members of a set that is a clique, else zero.
func cliqueSize(g *graph, set int) int {
	k := 0
	for i := range g.n {
		if set>>i&1 == 0 {
			continue
		}
		k++
		for j := range i {
			if set>>j&1 == 1 && !g.joined(i, j) {
				return 0
			}
		}
	}
	return k
}

func TestConsensusOnAnyNumberOfProcessors(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	from, to := make([]geom.Vec, 700), make([]geom.Vec, 700)
	for i := range from {
		from[i] = randomVec(r, 100)
		to[i] = from[i].Add(randomVec(r, 0.1))
		if i%3 > 0 {
			to[i] = randomVec(r, 100)
		}
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	want := ""
	for _, n := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(n)
		a, err := Consensus(context.Background(), from, to, ConsensusOptions{Bound: 0.5, FreeScale: true})
		if err != nil {
			t.Fatal(err)
		}
		got := fmt.Sprintf("%v", a)
		if want == "" {
			want = got
		}
		if got != want {
			t.Errorf("%d processors give another result", n)
		}
	}
}

func BenchmarkConsensus(b *testing.B) {
	r := rand.New(rand.NewPCG(5, 5))
	from, to := make([]geom.Vec, 1000), make([]geom.Vec, 1000)
	for i := range from {
		from[i], to[i] = randomVec(r, 100), randomVec(r, 100)
		if i%10 == 0 {
			to[i] = from[i].Add(randomVec(r, 0.1))
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Consensus(context.Background(), from, to, ConsensusOptions{Bound: 0.5}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(from))*float64(b.N)/b.Elapsed().Seconds(), "pairs/s")
}
