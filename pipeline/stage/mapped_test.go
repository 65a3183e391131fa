package stage

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"testing"

	"trammel/pipeline/disk"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// TestMappedMeshIsTheKeptOne: what lies in the file is the mesh, whatever the facts before it
// are long; what is damaged, or not kept, is an error.
func TestMappedMeshIsTheKeptOne(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("files are not mapped on Windows")
	}
	codec := With[string](Mesh())
	dir := t.TempDir()
	s := Open(dir, disk.New(nil), nil)
	for _, want := range []*scan.Mesh{
		{Origin: geom.Vec{X: 1, Y: 2, Z: 3}, X: []float32{0, 1, 0, 5}, Y: []float32{0, 0, 1, 6}, Z: []float32{1, 2, 3, 4}, Tri: []int32{0, 1, 2, 1, 2, 3}},
		{Origin: geom.Vec{Z: -7}},
	} {
		for _, facts := range []string{"", "facts of some length", "12345678901234567890123456789012345678901234567890123456789"} {
			k, err := KeyOf("fuse", len(want.X), facts)
			if err != nil {
				t.Fatal(err)
			}
			if _, _, err := MappedMesh(s, "fuse", k); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("before it is kept: %v", err)
			}
			if _, err := Run(s, "fuse", "job", k, codec, func() (Pair[string, *scan.Mesh], error) {
				return Pair[string, *scan.Mesh]{Facts: facts, Value: want}, nil
			}); err != nil {
				t.Fatal(err)
			}
			got, free, err := MappedMesh(s, "fuse", k)
			if err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(dir, "fuse", k.String())
			if err := os.Remove(path); err != nil { // the folder may go at any time
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("%q: %+v, want %+v", facts, got, want)
			}
			if err := free(); err != nil {
				t.Error(err)
			}
			if err := os.WriteFile(path, []byte("neither a mesh nor the checksum of one"), 0o600); err != nil {
				t.Fatal(err)
			}
			if _, _, err := MappedMesh(s, "fuse", k); !errors.Is(err, errDamaged) {
				t.Errorf("damaged: %v", err)
			}
		}
	}
	if _, _, err := MappedMesh(Nowhere(), "fuse", Key{}); !errors.Is(err, errors.ErrUnsupported) {
		t.Errorf("a store that keeps nothing: %v", err)
	}
}
