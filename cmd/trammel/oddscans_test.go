package main

import (
	"bytes"
	"context"
	"fmt"
	"os"

	"github.com/rogpeppe/go-internal/testscript"

	"trammel/pipeline/format"
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
