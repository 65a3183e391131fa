package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"

	"github.com/rogpeppe/go-internal/testscript"

	"trammel/pipeline/format"
	"trammel/pipeline/format/e57"
	"trammel/pipeline/length"
)

// cmdTwin is "twin CLOUD TEXT": the same points as text, last one first, with
// four decimals.
func cmdTwin(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: twin CLOUD TEXT")
	}
	c, err := format.Read(context.Background(), ts.MkAbs(args[0]), 0, 1)
	ts.Check(err)
	var text bytes.Buffer
	for i := c.Cloud.Len() - 1; i >= 0; i-- {
		p := c.Cloud.At(i)
		fmt.Fprintf(&text, "%.4f %.4f %.4f\n", p.X, p.Y, p.Z)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), text.Bytes(), 0o600))
}

// cmdZeroTail is "zerotail CLOUD COPY": a copy whose last tenth of the points is
// all zero.
func cmdZeroTail(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: zerotail CLOUD COPY")
	}
	c, err := format.Read(context.Background(), ts.MkAbs(args[0]), 0, 1)
	ts.Check(err)
	for i := c.Cloud.Len() * 9 / 10; i < c.Cloud.Len(); i++ {
		c.Cloud.X[i], c.Cloud.Y[i], c.Cloud.Z[i] = 0, 0, 0
	}
	var ply bytes.Buffer
	ts.Check(format.WritePLYCloud(&ply, c.Cloud, format.WriteOptions{Units: length.Metre}))
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), ply.Bytes(), 0o600))
}

// cmdE57 is "e57 FOLDER FILE": the clouds of the folder, the set-ups of the small
// capture, as one E57 file with their true poses.
func cmdE57(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: e57 FOLDER FILE")
	}
	clouds, err := filepath.Glob(filepath.Join(ts.MkAbs(args[0]), "s0*.ply"))
	ts.Check(err)
	var all []e57.Output
	for i, path := range clouds {
		c, err := format.Read(context.Background(), path, 0, 1)
		ts.Check(err)
		var columns e57.Columns
		for k := range c.Cloud.Len() {
			p := c.Cloud.At(k)
			columns.X, columns.Y, columns.Z = append(columns.X, p.X), append(columns.Y, p.Y), append(columns.Z, p.Z)
		}
		pose := smallSetUps()[i]
		pose.T = pose.T.Scale(1e-3)
		out, err := columns.Output(e57.Scan{GUID: fmt.Sprintf("set-up-%d", i+1), Name: fmt.Sprintf("set-up %d", i+1), Pose: &pose}, e57.Scaled, 1e-5)
		ts.Check(err)
		all = append(all, out)
	}
	var file bytes.Buffer
	ts.Check(e57.Write(&file, e57.Header{GUID: "small"}, all))
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), file.Bytes(), 0o600))
}
