package report

import (
	"math"
	"strings"
	"testing"

	"trammel/pipeline"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/mount"
)

// kinds is a job with a slot, a countersink, a thread, a position and a pitch.
func kinds(u length.Unit) *pipeline.Built {
	b := measured(u)
	cov := geom.Diag(0.01, 0.04, 0.09)
	b.Mounts = []mount.Result{
		{Name: "slot", Kind: job.Slot, Found: true, Axis: geom.Vec{Z: 1}, Along: geom.Vec{X: 1}, SigmaAlong: math.Pi / 180, Cov: cov, ArcDeg: 350, Points: 9, Instrument: "hand",
			Sizes:    []mount.Size{{Name: "width", Value: 12.7, Sigma: 0.0254}, {Name: "length", Value: 25.4, Sigma: 0.0508}},
			Position: mount.Position{Zone: 0.508, Deviation: 0.254, Sigma: 0.0254, Decision: mount.Pass}},
		{Name: "sunk", Kind: job.Countersink, Found: true, Axis: geom.Vec{Z: 1}, Cov: cov, Diameter: 9, Sizes: []mount.Size{{Name: "cone", Value: 17, Sigma: 0.1}, {Name: "angle", Value: 90, Sigma: 0.5, Angle: true}}},
		{Name: "tapped", Kind: job.Threaded, Found: true, Axis: geom.Vec{Z: 1}, Cov: cov, Diameter: 8.5, Threads: []mount.Thread{{Name: "M10", Minor: [2]float64{8.376, 8.676}}},
			Others: []mount.Other{{Center: geom.Vec{X: 25.4}, Diameter: 8.4}}, Position: mount.Position{Zone: 1, Deviation: 3, Sigma: 0.1, Decision: mount.Fail}},
	}
	b.Pitches = []mount.Pitch{{A: "slot", B: "sunk", Delta: geom.Vec{X: 254}, Distance: 254, Sigma: 0.0254, Cov: geom.Diag(0.00064516, 0, 0), Angle: 1.5, SigmaAngle: 0.25}}
	return b
}

func TestKindsInJSON(t *testing.T) {
	for u, inch := range map[length.Unit]float64{length.Millimetre: 25.4, length.Inch: 1} {
		r := NewReport(kinds(u), Context{})
		slot, sunk, tapped := r.Mounts[0], r.Mounts[1], r.Mounts[2]
		for what, v := range map[string][2]float64{
			"width": {slot.Sizes[0].Value, inch / 2}, "sigma of the length": {slot.Sizes[1].Sigma, inch / 500}, "direction": {slot.SigmaAlong, 1}, "zone": {slot.Position.Zone, inch / 50},
			"deviation": {slot.Position.Deviation, inch / 100}, "angle": {sunk.Sizes[1].Value, 90}, "minor": {tapped.Threads[0].Minor[0], 8.376 / 25.4 * inch}, "other": {tapped.Others[0].Center[0], inch},
			"distance": {r.Pitches[0].Distance, 10 * inch}, "its sigma": {r.Pitches[0].SigmaDist, inch / 1000}, "that of dX": {r.Pitches[0].Sigma[0], inch / 1000}, "covariance": {slot.Covariance[4], 0.04 / 25.4 / 25.4 * inch * inch},
		} {
			if math.Abs(v[0]-v[1]) > 1e-6*inch {
				t.Errorf("in %s: %s is %g, want %g", u, what, v[0], v[1])
			}
		}
		if sunk.Sizes[1].Unit != "deg" || sunk.Sizes[0].Unit != string(u) || slot.Position.Coverage != 2 || slot.Position.Decision != "pass" || sunk.Position != nil || sunk.Along != nil {
			t.Errorf("in %s: %+v, %+v", u, slot, sunk)
		}
	}
}

func TestKindsInTables(t *testing.T) {
	r := NewReport(kinds(length.Millimetre), Context{})
	b, err := MountsCSV(r)
	if err != nil {
		t.Fatal(err)
	}
	rows := cells(t, b)
	if last := rows[1][len(rows[1])-1]; last != "width 12.7000 ± 0.0254 mm; length 25.4000 ± 0.0508 mm" {
		t.Errorf("sizes: %s", last)
	}
	if got := strings.Join(rows[1][len(rows[1])-5:len(rows[1])-1], " "); got != "0.5080 0.2540 0.0254 pass" {
		t.Errorf("position: %s", got)
	}
	if last := rows[3][len(rows[3])-1]; last != "suggested M10" {
		t.Errorf("thread: %s", last)
	}
	b, err = PitchesCSV(r)
	if err != nil {
		t.Fatal(err)
	}
	rows = cells(t, b)
	if len(rows) != 2 || strings.Join(rows[1], " ") != "slot sunk 254.0000 0.0254 254.0000 0.0000 0.0000 0.0254 0.0000 0.0000 1.5000 0.2500" || rows[0][2] != "distance_mm" {
		t.Errorf("pitches: %v", rows)
	}
	p := samplePictures(t)
	page, err := HTML(r, p)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"suggested thread: M10", "cone Ø", "90.00°", "Positions against their tolerance zones", "undecided between", "Pitches", "254.00", "along 1.0000"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

func TestManyPitches(t *testing.T) {
	b := kinds(length.Millimetre)
	for len(b.Pitches) < 500 {
		b.Pitches = append(b.Pitches, b.Pitches[0])
	}
	s := pitchesSection(reportOf(b), figuresOf(length.Millimetre))
	if len(s.Tables[0].Groups) != mostPitches || !strings.Contains(s.Text[1], "first 120 of 500") {
		t.Errorf("%d lines, %v", len(s.Tables[0].Groups), s.Text)
	}
}

func reportOf(b *pipeline.Built) *Report {
	r := NewReport(b, Context{})
	return &r
}

func TestDigitsKnowNoMinusZero(t *testing.T) {
	for x, want := range map[float64]string{-1e-6: "0.0000", 0: "0.0000", -1.25: "-1.2500", 3: "3.0000"} {
		if got := digits(x, length.Millimetre); got != want {
			t.Errorf("%g: %s, want %s", x, got, want)
		}
	}
}
