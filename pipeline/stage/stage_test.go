package stage

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"testing"

	"trammel/pipeline/disk"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

func key(t *testing.T, name string, version int, params any, in ...Key) Key {
	t.Helper()
	k, err := KeyOf(name, version, params, in...)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestKeysDiffer(t *testing.T) {
	a := key(t, "a", 1, nil)
	seen := map[Key]string{}
	for name, k := range map[string]Key{
		"name": key(t, "b", 1, nil), "base": a, "version": key(t, "a", 2, nil), "params": key(t, "a", 1, 1), "input": key(t, "a", 1, nil, a),
		"two inputs": key(t, "a", 1, nil, a, key(t, "b", 1, nil)), "inputs swapped": key(t, "a", 1, nil, key(t, "b", 1, nil), a), "name and version": key(t, "a 1", 1, nil),
	} {
		if other, twice := seen[k]; twice {
			t.Errorf("%s and %s have one key", name, other)
		}
		seen[k] = name
	}
	if key(t, "a", 1, nil) != a {
		t.Error("the same gives another key")
	}
}

func TestComputedOnce(t *testing.T) {
	s := Open(t.TempDir(), nil, nil)
	calls := 0
	for range 3 {
		v, err := Run(s, "sum", "x", key(t, "sum", 1, nil), JSON[float64](), func() (float64, error) { calls++; return 0.1 + 0.2, nil })
		if err != nil || v != 0.1+0.2 {
			t.Fatalf("got %v, %v", v, err)
		}
	}
	if computed, reused := s.Counts(); calls != 1 || computed != 1 || reused != 2 {
		t.Errorf("%d calls, %d computed, %d reused", calls, computed, reused)
	}
}

func TestErrorKeepsNothing(t *testing.T) {
	s := Open(t.TempDir(), nil, nil)
	boom := errors.New("boom")
	if _, err := Run(s, "x", "x", Key{}, JSON[int](), func() (int, error) { return 1, boom }); !errors.Is(err, boom) {
		t.Errorf("got %v", err)
	}
	if v, err := Run(s, "x", "x", Key{}, JSON[int](), func() (int, error) { return 2, nil }); err != nil || v != 2 {
		t.Errorf("got %v, %v", v, err)
	}
}

// A reading store takes what is kept, computes the rest, and writes nothing, also
// where something is damaged.
func TestReadingWritesNothing(t *testing.T) {
	dir := t.TempDir()
	run := func(s *Store, name string, value int) int {
		v, err := Run(s, name, "x", Key{}, JSON[int](), func() (int, error) { return value, nil })
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	run(Open(dir, nil, nil), "kept", 1)
	run(Open(dir, nil, nil), "damaged", 2)
	damaged := filepath.Join(dir, "damaged", Key{}.String())
	if err := os.WriteFile(damaged, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if a, b, c := run(Reading(dir), "kept", 10), run(Reading(dir), "new", 20), run(Reading(dir), "damaged", 30); a != 1 || b != 20 || c != 30 {
		t.Errorf("got %d, %d and %d; want 1, 20 and 30", a, b, c)
	}
	if _, err := os.Stat(filepath.Join(dir, "new")); !errors.Is(err, fs.ErrNotExist) {
		t.Error("a result was kept")
	}
	if content, err := os.ReadFile(damaged); err != nil || string(content) != "x" {
		t.Errorf("the damaged result was touched: %q, %v", content, err)
	}
}

// TestDamageIsNeverUsed flips every byte of a kept result in turn, and cuts it.
func TestDamageIsNeverUsed(t *testing.T) {
	dir := t.TempDir()
	s := Open(dir, nil, nil)
	compute := func() ([]int, error) { return []int{1, 2, 3}, nil }
	if _, err := Run(s, "x", "x", Key{}, JSON[[]int](), compute); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "x", Key{}.String())
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 2 * len(whole) {
		bad := append([]byte(nil), whole...)
		if i < len(whole) {
			bad[i] ^= 0x20
		} else {
			bad = bad[:i-len(whole)]
		}
		if err := os.WriteFile(path, bad, 0o644); err != nil {
			t.Fatal(err)
		}
		recomputed := false
		v, err := Run(s, "x", "x", Key{}, JSON[[]int](), func() ([]int, error) { recomputed = true; return compute() })
		if err != nil || len(v) != 3 || !recomputed {
			t.Fatalf("damage %d: %v, %v, recomputed %v", i, v, err, recomputed)
		}
	}
}

// TestKilledAnywhere fails each disk operation in turn; afterwards the store is
// good for a second run without faults.
func TestKilledAnywhere(t *testing.T) {
	for n := int64(1); ; n++ {
		dir := filepath.Join(t.TempDir(), "work")
		d := disk.New(func(i int64, _, _ string) error {
			if i == n {
				return fs.ErrPermission
			}
			return nil
		})
		_, first := Run(Open(dir, d, nil), "x", "x", Key{}, JSON[int](), func() (int, error) { return 7, nil })
		v, err := Run(Open(dir, nil, nil), "x", "x", Key{}, JSON[int](), func() (int, error) { return 7, nil })
		if err != nil || v != 7 {
			t.Fatalf("after a fault at %d: %v, %v", n, v, err)
		}
		if first == nil {
			break
		}
	}
}

func TestNowhereKeepsNothing(t *testing.T) {
	calls := 0
	s := Nowhere()
	for range 2 {
		if _, err := Run(s, "x", "x", Key{}, JSON[int](), func() (int, error) { calls++; return 0, nil }); err != nil {
			t.Fatal(err)
		}
	}
	if calls != 2 {
		t.Errorf("%d calls", calls)
	}
}

func TestMeshAndCloudCodecs(t *testing.T) {
	s := Open(t.TempDir(), nil, nil)
	m := &scan.Mesh{Origin: geom.Vec{X: 1e7, Y: 0.1, Z: -3}, X: []float32{1, 2, 3}, Y: []float32{4, 5, 6}, Z: []float32{7, 8, 9}, Tri: []int32{0, 1, 2}}
	c := &scan.Cloud{Origin: geom.Vec{Z: 5}, X: []float32{1}, Y: []float32{2}, Z: []float32{3}, NX: []float32{0}, NY: []float32{0}, NZ: []float32{1}}
	for range 2 {
		gotM, err := Run(s, "mesh", "x", Key{}, Mesh(), func() (*scan.Mesh, error) { return m, nil })
		if err != nil || fmt.Sprint(*gotM) != fmt.Sprint(*m) {
			t.Errorf("mesh: %v, %v", gotM, err)
		}
		gotC, err := Run(s, "cloud", "x", Key{}, Cloud(), func() (*scan.Cloud, error) { return c, nil })
		if err != nil || gotC.Origin != c.Origin || gotC.NZ[0] != 1 || gotC.Z[0] != 3 {
			t.Errorf("cloud: %v, %v", gotC, err)
		}
		values, err := Run(s, "values", "x", Key{}, Values(), func() ([]float32, error) { return []float32{1, float32(math.NaN()), -3}, nil })
		if err != nil || len(values) != 3 || values[0] != 1 || values[1] == values[1] || values[2] != -3 {
			t.Errorf("values: %v, %v", values, err)
		}
		pair, err := Run(s, "pair", "x", Key{}, With[string](Mesh()), func() (Pair[string, *scan.Mesh], error) { return Pair[string, *scan.Mesh]{"facts", m}, nil })
		if err != nil || pair.Facts != "facts" || fmt.Sprint(*pair.Value) != fmt.Sprint(*m) {
			t.Errorf("pair: %v, %v", pair, err)
		}
	}
}

func TestReport(t *testing.T) {
	var said []string
	s := Open(t.TempDir(), nil, func(name, subject string, reused bool) { said = append(said, fmt.Sprint(name, subject, reused)) })
	for range 2 {
		if _, err := Run(s, "n", "s", Key{}, JSON[int](), func() (int, error) { return 0, nil }); err != nil {
			t.Fatal(err)
		}
	}
	if fmt.Sprint(said) != "[nsfalse nstrue]" {
		t.Errorf("said %v", said)
	}
}
