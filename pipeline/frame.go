package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/datum"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/mount"
	"trammel/pipeline/network"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
	"trammel/pipeline/surface"
)

// setDatum finds the frame of the deliverables. While scans are still being taken,
// a datum that does not fit yet is no reason to stop.
func (c *Checked) setDatum() {
	if c.Job.Datum == nil || c.Job.Datum.Method != job.Control {
		return
	}
	var spheres []datum.Sphere
	if c.Network != nil {
		for _, s := range c.Network.Spheres {
			if s.Status != network.Moved {
				spheres = append(spheres, datum.Sphere{ID: s.ID, Center: s.Center, Cov: s.Cov})
			}
		}
	}
	// Known coordinates are hardly better than the spheres' own diameters are known,
	// so twice that tolerance is where a coordinate counts as wrong.
	tolerance := 0.0
	for _, k := range c.Job.Spheres {
		tolerance = max(tolerance, k.Tolerance)
	}
	d := datum.Control(c.Job.Datum.Points, spheres, 2*tolerance)
	c.Datum = &d
	for _, f := range d.Findings {
		if c.capturing {
			f.Severity = job.Note
		}
		c.Findings = append(c.Findings, f)
	}
	if d.OK {
		c.ToFrame = d.NetworkToDatum
	}
}

const shapeVersion = 2

// setByShape finds the datum from the object's own surface, once all scans are in
// the network's frame.
func (r *run) setByShape(ctx context.Context, b *Built) error {
	d := b.Job.Datum
	if d == nil || d.Method == job.Control {
		return nil
	}
	list := b.allPlaced()
	key, err := b.stageKey("datum", shapeVersion, struct {
		Datum job.Datum
		Grain float64
		Doubt string
	}{*d, b.grain(), b.doubtAt(list, b.seeds())}, list)
	if err != nil {
		return err
	}
	found, err := stage.Run(r.store, "datum", "job", key, stage.JSON[byShape](), func() (byShape, error) {
		surface, err := r.merged(ctx, b, list)
		if err != nil {
			return byShape{}, err
		}
		if d.Method == job.Planes {
			x, err := r.byPlanes(ctx, b, list, surface)
			return byShape{Result: x}, err
		}
		return r.byMirror(ctx, b, list, surface)
	})
	if err != nil {
		return err
	}
	b.Datum = &found.Result
	for _, f := range found.Findings {
		if b.capturing {
			f.Severity = job.Note
		}
		b.Findings = append(b.Findings, f)
	}
	if found.OK {
		b.ToFrame = found.NetworkToDatum
		for _, p := range found.Uneven {
			p.At, p.Normal = b.ToFrame.Apply(p.At), b.ToFrame.Turn(p.Normal)
			b.Uneven = append(b.Uneven, p)
		}
	}
	return nil
}

// byShape is what the stage keeps. Uneven is how far the object stands out beyond its own
// mirror image, piece by piece, in the network's frame.
type byShape struct {
	datum.Result
	Uneven []datum.Uneven
}

// seeds lists the places that the sheet picks elements at.
func (b *Built) seeds() []geom.Vec {
	var out []geom.Vec
	d := b.Job.Datum
	for _, p := range []*job.Pick{d.Primary, d.Secondary, d.Origin, d.Floor} {
		if p == nil {
			continue
		}
		out = append(out, p.Seed)
		if p.To != nil {
			out = append(out, *p.To)
		}
	}
	for _, w := range d.Wheels {
		out = append(out, w.Seed)
	}
	return out
}

func (r *run) byPlanes(ctx context.Context, b *Built, list []placed, surface *scan.Cloud) (datum.Result, error) {
	d := b.Job.Datum
	e := datum.Elements{PrimaryAxis: d.Primary.Axis, SecondaryAxis: d.Secondary.Axis}
	pick := picker{run: r, built: b, list: list, surface: surface}
	e.Primary = pick.element(ctx, "primary", *d.Primary)
	e.Secondary = pick.element(ctx, "secondary", *d.Secondary)
	if d.Secondary.To != nil {
		second := *d.Secondary
		second.Seed = *second.To
		to := pick.element(ctx, "secondary", second)
		e.To = &to
	}
	e.Origin = pick.element(ctx, "origin", *d.Origin)
	return pick.result(func() datum.Result { return datum.Planes(e) })
}

// byMirror takes the floor or the plane that the wheels stand on, the object's mirror
// plane and an origin.
func (r *run) byMirror(ctx context.Context, b *Built, list []placed, surface *scan.Cloud) (out byShape, err error) {
	d := b.Job.Datum
	pick := picker{run: r, built: b, list: list, surface: surface}
	e := datum.Elements{PrimaryAxis: "Z", SecondaryAxis: "Y"}
	below := pick.floor(ctx)
	e.Primary = below
	var wheels []datum.Wheel
	if d.Up == job.UpWheels {
		if e.Primary, wheels = pick.wheels(); below.Points == 0 { // without a floor, nothing lies below the wheels
			below, pick.findings = e.Primary, pick.withoutFloor()
		}
	}
	e.Origin = pick.element(ctx, "origin", *d.Origin)
	if len(pick.findings) == 0 {
		if e.Secondary, out.Uneven, err = pick.mirror(ctx, e.Primary, below); err != nil {
			return byShape{}, err
		}
	}
	out.Result, err = pick.result(func() datum.Result { return datum.Planes(e) })
	out.Wheels = wheels
	return out, err
}

const floorName = "floor"

// floor finds the floor, where the sheet says or by itself.
func (p *picker) floor(ctx context.Context) datum.Element {
	if pick := p.built.Job.Datum.Floor; pick != nil {
		return p.element(ctx, floorName, *pick)
	}
	e, err := datum.Floor(p.surface, geom.Vec{Z: 1}, 100*p.built.grain())
	if err != nil {
		p.blame(floorName, err.Error())
	}
	return e
}

// wheels finds the plane that the wheels stand on.
func (p *picker) wheels() (datum.Element, []datum.Wheel) {
	var seeds []datum.Spot
	for _, w := range p.built.Job.Datum.Wheels {
		seeds = append(seeds, datum.Spot{Seed: w.Seed, Radius: w.Radius})
	}
	e, wheels, err := datum.Wheels(p.surface, seeds, geom.Vec{Z: 1})
	if err != nil {
		p.blame("wheels", err.Error())
	}
	return e, wheels
}

// withoutFloor drops what was said of a floor that is not needed.
func (p *picker) withoutFloor() []job.Finding {
	return slices.DeleteFunc(p.findings, func(f job.Finding) bool { return f.Subject == floorName })
}

// picker finds elements and gathers what went wrong.
type picker struct {
	run      *run
	built    *Built
	list     []placed
	surface  *scan.Cloud // thinned, with normals, in the network's frame
	findings []job.Finding
	err      error
}

func (p *picker) blame(name, why string) {
	p.findings = append(p.findings, job.Finding{Code: job.DatumPoor, Severity: job.Hold, Subject: name,
		Text: fmt.Sprintf("The datum's %s was not found: %s. To do: correct its seed and radius in the job sheet; seeds are in the network's frame, that of the first set-up.", name, why)})
}

func (p *picker) result(solve func() datum.Result) (datum.Result, error) {
	if p.err != nil {
		return datum.Result{}, p.err
	}
	if len(p.findings) > 0 {
		return datum.Result{NetworkToDatum: geom.IdentityPose(), Findings: p.findings}, nil
	}
	return solve(), nil
}

// element finds a plane on the thinned surface, anything else on raw points.
func (p *picker) element(ctx context.Context, name string, pick job.Pick) datum.Element {
	if pick.Expect == job.Plane {
		e, err := datum.FitPlane(p.surface, pick.Seed, pick.Radius)
		if err != nil {
			p.blame(name, err.Error())
		}
		e.Name = name
		return e
	}
	wanted := job.Mount{Name: name, Near: pick.Seed, Within: pick.Radius, Expect: pick.Expect}
	seen, err := p.run.near(ctx, p.built, p.list, []job.Mount{wanted})
	if err != nil {
		p.err = err
		return datum.Element{}
	}
	m := mount.Measure(wanted, seen)
	if !m.Found {
		p.blame(name, "no "+string(pick.Expect)+" lies within "+length.Format(pick.Radius, length.Millimetre)+" of its seed")
	}
	return datum.Element{Name: name, Point: m.Center, PointCov: m.Cov, RMS: m.RMS, Points: m.Points}
}

const (
	// joined is how many cells of the thinned surface may lie between parts of one
	// object.
	joined = 8
	// muchAlike is the share of the best plane's votes from which on another one may
	// be meant as well.
	muchAlike = 0.8
)

// mirror finds the object's mirror plane, square on level: roughly by votes, then by
// laying the image of what stands above the floor onto it. It also says how far the object is
// from its image.
func (p *picker) mirror(ctx context.Context, level, below datum.Element) (datum.Element, []datum.Uneven, error) {
	d := p.built.Job.Datum
	object := datum.Component(p.surface, below, d.Origin.Seed, joined*p.built.grain())
	planes := datum.Mirrors(object, level.Normal)
	if d.Toward != nil {
		along := d.Toward.Sub(object.Bounds().Center()).Unit()
		planes = slices.DeleteFunc(planes, func(s datum.Symmetry) bool { return math.Abs(s.Normal.Dot(along)) > math.Sqrt2/2 })
	}
	if len(planes) == 0 {
		p.blame("mirror plane", fmt.Sprintf("the %d points around the origin's seed have no upright plane of symmetry", object.Len()))
		return datum.Element{}, nil, nil
	}
	if len(planes) > 1 && planes[1].Share > muchAlike {
		p.blame("mirror plane", fmt.Sprintf("the object is nearly its own mirror image in two planes, the second one with %.0f %% of the first one's votes; add toward: with a place that X points to", 100*planes[1].Share))
		return datum.Element{}, nil, nil
	}
	best := planes[0]
	fits, err := surface.Align(ctx, best.Reflected(object), object, geom.IdentityPose(), surface.Options{Reach: 10 * p.built.grain(), Grain: p.built.grain()})
	if errors.Is(err, surface.ErrNoOverlap) || err == nil && fits.Overlap < leastOverlap {
		p.blame("mirror plane", "the object's two sides do not lie on each other")
		return datum.Element{}, nil, nil
	}
	if err != nil {
		return datum.Element{}, nil, err
	}
	plane := best.Refined(fits.SourceToTarget, fits.Cov, fits.Center, fits.RMS, fits.Pairs)
	if d.Toward != nil { // X is along Y × Z, so Y is along Z × X
		if plane.Normal.Dot(level.Normal.Cross(d.Toward.Sub(plane.Point))) < 0 {
			plane.Normal = plane.Normal.Scale(-1)
		}
	}
	return plane, unevenness(object, plane, p.built.grain()), nil
}

const (
	// unevenCells along an object's diagonal are what a picture of its asymmetry shows.
	unevenCells = 150
	// mostUneven places are kept.
	mostUneven = 4000
)

// unevenness compares the object with its own mirror image.
func unevenness(object *scan.Cloud, plane datum.Element, grain float64) []datum.Uneven {
	cell := max(2*grain, object.Bounds().Size().Norm()/unevenCells)
	return some(datum.Unevenness(surface.Thin(object, cell), plane, max(10*grain, 3*cell)), mostUneven)
}
