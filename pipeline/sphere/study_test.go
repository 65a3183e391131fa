package sphere

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

// TestStudy runs the long simulations and compares their figures with what is
// asked of them; -update keeps the table in testdata/study.md:
//
//	go test ./pipeline/sphere -run TestStudy -study -update -timeout 60m
func TestStudy(t *testing.T) {
	if !*study {
		t.Skip("long simulations run with -study")
	}
	var table strings.Builder
	table.WriteString("# Finding spheres: simulation study\n\nWritten by `go test ./pipeline/sphere -run TestStudy -study -update`. Spheres of 145 mm; seeds are those of the generator.\n\n| what | asked | found | runs | seed |\n| --- | --- | --- | --- | --- |\n")
	row := func(what, asked, found string, runs int, seed uint64, ok bool) {
		_, _ = fmt.Fprintf(&table, "| %s | %s | %s | %d | %d |\n", what, asked, found, runs, seed)
		if !ok {
			t.Errorf("%s: %s, asked %s", what, found, asked)
		}
	}
	share := func(n, of int) string { return fmt.Sprintf("%.2f %% (%d missed)", 100*float64(n)/float64(of), of-n) }
	const many = 2000
	few := sparse(t, 60, 150, many, 8)
	row("caps of 60 to 150 points found", "–", share(few, many), many, 8, true)
	some := sparse(t, 150, 400, many, 9)
	row("caps of 150 to 400 points found", "≥ 99.5 %", share(some, many), many, 9, some*1000 >= many*995)
	dense := sparse(t, 400, 2000, many/4, 12)
	row("caps of 400 to 2000 points found", "≥ 99.5 %", share(dense, many/4), many/4, 12, dense*1000 >= many/4*995)
	const rooms = 600
	shown := clutter(t, rooms, 14)
	row("rooms of clutter that show a sphere", "≤ 1 in 200", fmt.Sprint(shown), rooms, 14, shown*200 <= rooms)
	s := caps(t, 4*many, 10)
	row("bias along the sight, in sigmas of one centre", "≤ 0.1", fmt.Sprintf("%.3f", s.bias), 4*many, 10, s.bias < 0.1 && s.bias > -0.1)
	row("rms error over the bound of the rays' geometry", "≤ 1.1", fmt.Sprintf("%.3f", s.bound), 4*many, 10, s.bound <= 1.1)
	row("mean Mahalanobis distance of the centre", "3 ± 0.18 (covariance within 3 %)", fmt.Sprintf("%.3f", s.chi), 4*many, 10, s.chi > 2.82 && s.chi < 3.18)
	t.Log("\n" + table.String())
	if *update {
		if err := os.WriteFile("testdata/study.md", []byte(table.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
