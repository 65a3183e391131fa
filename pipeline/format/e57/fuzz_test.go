package e57

import (
	"errors"
	"maps"
	"slices"
	"testing"

	"trammel/pipeline/scan"
)

// FuzzE57 reads arbitrary bytes, once as they are and once with the checksums and
// the length put right, without which nothing behind them would be reached. It
// holds the reader to refusals for the content and to its bound of memory. The
// corpus is in testdata/fuzz.
func FuzzE57(f *testing.F) {
	f.Add(golden(f))
	files := hostile(2048)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		f.Add(files[name])
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		sealed := seal(unseal(raw))
		for _, content := range [][]byte{raw, sealed} {
			got, err := allocated(content)
			if err != nil && !errors.Is(err, scan.ErrFormat) && !errors.Is(err, scan.ErrTruncated) {
				t.Errorf("got %v, want a refusal for its content", err)
			}
			if got > allowance(len(content)) {
				t.Errorf("%d MiB were allocated for %d bytes", got>>20, len(content))
			}
		}
	})
}
