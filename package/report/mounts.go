package report

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/mount"
)

// Mount is a measured mount. Sigmas are standard uncertainties, fit, registration
// and datum together; angles are in degrees.
type Mount struct {
	Name          string      `json:"name"`
	Kind          job.Feature `json:"kind"`
	Found         bool        `json:"found"`
	Center        Vec3        `json:"center"`
	Axis          Vec3        `json:"axis"`
	Diameter      float64     `json:"diameter"`
	Sigma         Vec3        `json:"sigma"`
	SigmaDiameter float64     `json:"sigma_diameter"`
	Deviation     Vec3        `json:"deviation"` // center minus the sheet's nominal place, or a hole's in the fitted pattern
	Points        int         `json:"points"`
	Arc           float64     `json:"arc"`
	Instrument    string      `json:"instrument"`            // the surest of those that saw it
	Instruments   []string    `json:"instruments,omitempty"` // that the centre and the diameter rest on, where they are several
	RMS           float64     `json:"rms"`                   // form error: of the points of a wall, or of a pattern's holes; 0 for a rim alone
	Covariance    [9]float64  `json:"covariance"`            // of center, row-major, in the job's units squared
	Sizes         []Size      `json:"sizes,omitempty"`       // others than the diameter
	Along         *Vec3       `json:"along,omitempty"`       // direction of a slot's length
	SigmaAlong    float64     `json:"sigma_along,omitzero"`  // of it
	Position      *Position   `json:"position,omitempty"`    // where the sheet gives a tolerance
	Threads       []Thread    `json:"suggested_threads,omitempty"`
	Others        []Other     `json:"others,omitempty"` // holes that may be meant as well
	Patch         string      `json:"patch,omitempty"`  // file of the raw surface around it, in the package
}

// PatchFolder is where in a package the raw surfaces around mounts are.
const PatchFolder = "mesh/mounts/"

// Size is a length or an angle of a mount besides its diameter.
type Size struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Sigma float64 `json:"sigma"`
	Unit  string  `json:"unit"` // the job's, or "deg"
}

// Position judges a place after ISO 1101 and ISO 14253-1: twice the distance from
// the nominal axis against the diameter of the zone, guarded by U = k·sigma.
type Position struct {
	Zone      float64        `json:"zone"`
	Deviation float64        `json:"deviation"`
	Sigma     float64        `json:"sigma"`
	Coverage  float64        `json:"coverage_factor"`
	Decision  mount.Decision `json:"decision"`
}

// Thread is a metric thread that a hole may have: a suggestion.
type Thread struct {
	Name  string     `json:"name"`
	Minor [2]float64 `json:"minor"` // limits of the minor diameter
}

// Other is another hole within the search radius.
type Other struct {
	Center   Vec3    `json:"center"`
	Diameter float64 `json:"diameter"`
}

// Pitch is what lies between two mounts; what both share is not in the sigmas.
type Pitch struct {
	A          string  `json:"a"`
	B          string  `json:"b"`
	Delta      Vec3    `json:"delta"` // place of b minus place of a
	Sigma      Vec3    `json:"sigma"` // of delta
	Distance   float64 `json:"distance"`
	SigmaDist  float64 `json:"sigma_distance"`
	Angle      float64 `json:"angle"` // between the axes, 0 to 90
	SigmaAngle float64 `json:"sigma_angle"`
}

const degrees = 57.29577951308232

func mountOf(m mount.Result, s scale, u length.Unit) Mount {
	out := Mount{Name: m.Name, Kind: m.Kind, Found: m.Found, Center: s.vec(m.Center), Axis: plain(m.Axis), Diameter: s.length(m.Diameter), Sigma: s.vec(m.Cov.Sigmas()),
		SigmaDiameter: s.length(m.SigmaDia), Deviation: s.vec(m.Deviation), Points: m.Points, Arc: tidy(m.ArcDeg), Instrument: m.Instrument, RMS: s.length(m.RMS)}
	for k := range out.Covariance {
		out.Covariance[k] = tidy(m.Cov[k] * float64(s) * float64(s))
	}
	for _, x := range m.Shares {
		out.Instruments = append(out.Instruments, x.Instrument)
	}
	for _, z := range m.Sizes {
		size := Size{Name: z.Name, Value: s.length(z.Value), Sigma: s.length(z.Sigma), Unit: string(u)}
		if z.Angle {
			size.Value, size.Sigma, size.Unit = tidy(z.Value), tidy(z.Sigma), "deg"
		}
		out.Sizes = append(out.Sizes, size)
	}
	if m.Kind == job.Slot && m.Found {
		along := plain(m.Along)
		out.Along, out.SigmaAlong = &along, tidy(m.SigmaAlong*degrees)
	}
	if p := m.Position; p.Zone > 0 {
		out.Position = &Position{s.length(p.Zone), s.length(p.Deviation), s.length(p.Sigma), mount.Coverage, p.Decision}
	}
	for _, t := range m.Threads {
		out.Threads = append(out.Threads, Thread{t.Name, [2]float64{s.length(t.Minor[0]), s.length(t.Minor[1])}})
	}
	for _, o := range m.Others {
		out.Others = append(out.Others, Other{s.vec(o.Center), s.length(o.Diameter)})
	}
	return out
}

func pitchOf(p mount.Pitch, s scale) Pitch {
	return Pitch{A: p.A, B: p.B, Delta: s.vec(p.Delta), Sigma: s.vec(p.Cov.Sigmas()), Distance: s.length(p.Distance), SigmaDist: s.length(p.Sigma), Angle: tidy(p.Angle), SigmaAngle: tidy(p.SigmaAngle)}
}

// mountsSection gives each mount a line for each number: its place, its diameter and
// its other sizes, each with its uncertainty. The expanded uncertainty is named as
// the GUM (JCGM 100:2008, 6.2.1) wants it, with its coverage factor.
func mountsSection(r *Report, p *Pictures, f figures) section {
	s := section{ID: "mounts", Title: "Mounts"}
	if len(r.Mounts) == 0 {
		s.Text = []string{"The job sheet asks for no mounts."}
		return s
	}
	s.Text = []string{"u is the standard uncertainty (one sigma; fit, registration and datum together), U = 2·u the expanded uncertainty with coverage factor 2, " +
		"about 95 % where errors are normal. The last column is the measured place minus the nominal one of the sheet; for the holes of a circle or a rectangle, minus their place in the fitted pattern."}
	for _, x := range p.Mounts {
		s.Figures = append(s.Figures, figure{Caption: x.Caption, PNG: x.PNG})
	}
	t := table{Caption: "Mounts: measured places and sizes", Columns: []column{{Name: "Mount", Share: 6.4}, {Name: "", Share: 2.4},
		{Name: f.in("Measured"), Share: 2.9, Number: true}, {Name: f.in("u"), Share: 2.1, Number: true}, {Name: f.in("U = 2·u"), Share: 2.1, Number: true}, {Name: f.in("From sheet"), Share: 2.6, Number: true}}}
	for _, m := range r.Mounts {
		t.Groups = append(t.Groups, mountGroup(m, f))
	}
	if slices.ContainsFunc(r.Mounts, func(m Mount) bool { return m.Patch != "" }) {
		s.Text = append(s.Text, "The raw surface around each mount, as it was scanned and in the same frame, is in "+PatchFolder+".")
	}
	s.Tables = []table{t}
	if zones := positionTable(r.Mounts, f); len(zones.Groups) > 0 {
		s.Text = append(s.Text, "Positions: twice the distance from the nominal axis, as ISO 1101 counts it, against the diameter of the tolerance zone. After ISO 14253-1 "+
			"a position passes where the result and its U = 2·u lie within the zone, fails where they lie outside, and is undecided between.")
		s.Tables = append(s.Tables, zones)
	}
	return s
}

// seenBy names the instruments that a mount rests on.
func (m *Mount) seenBy() string {
	if len(m.Instruments) == 0 {
		return m.Instrument
	}
	return strings.Join(m.Instruments, " and ")
}

func mountGroup(m Mount, f figures) group {
	if !m.Found {
		return group{Name: m.Name + "\n" + string(m.Kind), Mark: job.Hold, Rows: [][]string{{"", "not found", "", "", ""}}}
	}
	about := []string{m.Name, string(m.Kind) + " seen by " + m.seenBy() + ", " + plural(m.Points, "point", "points")}
	if m.Arc > 0 {
		about = append(about, fixed(m.Arc, 0)+"° of its rim seen")
	}
	about = append(about, "axis "+beside(m.Axis, ", ", func(x float64) string { return fixed(x, 4) }))
	if m.Along != nil {
		about = append(about, "along "+beside(*m.Along, ", ", func(x float64) string { return fixed(x, 4) }))
	}
	if len(m.Threads) > 0 {
		names := make([]string, len(m.Threads))
		for i, t := range m.Threads {
			names[i] = t.Name
		}
		about = append(about, "suggested thread: "+strings.Join(names, " or "))
	}
	g := group{Name: strings.Join(about, "\n")}
	for i, name := range [...]string{"X", "Y", "Z"} {
		g.Rows = append(g.Rows, []string{name, f.at(m.Center[i]), f.fine(m.Sigma[i]), f.fine(2 * m.Sigma[i]), f.signed(m.Deviation[i])})
	}
	if m.Diameter > 0 {
		g.Rows = append(g.Rows, []string{"Ø", f.at(m.Diameter), f.fine(m.SigmaDiameter), f.fine(2 * m.SigmaDiameter), ""})
	}
	for _, z := range m.Sizes {
		row := []string{wording(z.Name), f.at(z.Value), f.fine(z.Sigma), f.fine(2 * z.Sigma), ""}
		if z.Unit == "deg" {
			row = []string{wording(z.Name), fixed(z.Value, 2) + "°", fixed(z.Sigma, 2) + "°", fixed(2*z.Sigma, 2) + "°", ""}
		}
		g.Rows = append(g.Rows, row)
	}
	if m.Kind == job.Pattern {
		g.Rows = append(g.Rows, []string{"rms of fit", f.fine(m.RMS), "", "", ""})
	}
	return g
}

// wording is what a size is called in a table.
func wording(name string) string {
	switch name {
	case "cone", "chamfer", "edge":
		return name + " Ø"
	case "chamfer_angle":
		return "its angle"
	case "bolt_circle":
		return "circle Ø"
	case "uneven":
		return "uneven by"
	case "square":
		return "off square"
	default:
		return strings.ReplaceAll(name, "_", " ")
	}
}

func positionTable(mounts []Mount, f figures) table {
	t := table{Caption: "Positions against their tolerance zones", Columns: []column{{Name: "Mount", Share: 6}, {Name: f.in("Zone Ø"), Share: 2.4, Number: true}, {Name: f.in("Deviation"), Share: 2.6, Number: true},
		{Name: f.in("u"), Share: 2.2, Number: true}, {Name: f.in("U = 2·u"), Share: 2.2, Number: true}, {Name: "Decision", Share: 2.6}}}
	for _, m := range mounts {
		p := m.Position
		if p == nil {
			continue
		}
		g := one(m.Name, f.fine(p.Zone), f.fine(p.Deviation), f.fine(p.Sigma), f.fine(2*p.Sigma), string(p.Decision))
		switch p.Decision {
		case mount.Fail:
			g.Mark = job.Hold
		case mount.Undecided:
			g.Mark = job.Warn
		case mount.Pass:
		}
		t.Groups = append(t.Groups, g)
	}
	return t
}

// mostPitches is how many lines the report's table has; pitches.csv has all.
const mostPitches = 120

func pitchesSection(r *Report, f figures) section {
	s := section{ID: "pitches", Title: "Pitches"}
	if len(r.Pitches) == 0 {
		s.Text = []string{"There are no two mounts to measure between."}
		return s
	}
	s.Text = []string{"Distances between the mounts' places and angles between their axes. Errors that two mounts share, as those of one instrument's place or of the datum, cancel here, so that u is mostly smaller than that of the places themselves. The same is in pitches.csv."}
	t := table{Caption: "Pitches", Columns: []column{{Name: "From", Share: 4}, {Name: "To", Share: 4}, {Name: f.in("Distance"), Share: 2.6, Number: true}, {Name: f.in("u"), Share: 1.9, Number: true},
		{Name: f.in("dX, dY, dZ"), Share: 5.4, Number: true}, {Name: "Angle", Share: 1.8, Number: true}, {Name: "u", Share: 1.8, Number: true}}}
	for i, p := range r.Pitches {
		if i == mostPitches {
			s.Text = append(s.Text, fmt.Sprintf("The table shows the first %d of %d; pitches.csv has all of them.", mostPitches, len(r.Pitches)))
			break
		}
		t.Groups = append(t.Groups, one(p.A, p.B, f.at(p.Distance), f.fine(p.SigmaDist), beside(p.Delta, "  ", f.signed), fixed(p.Angle, 3)+"°", fixed(p.SigmaAngle, 3)+"°"))
	}
	s.Tables = []table{t}
	return s
}

// MountsCSV writes the table of mounts: one line each, lengths in the job's
// units to a tenth of a micrometre.
func MountsCSV(r Report) ([]byte, error) {
	u := string(r.Units)
	rows := [][]string{{"name", "kind", "found", "x_" + u, "y_" + u, "z_" + u, "axis_x", "axis_y", "axis_z", "diameter_" + u,
		"sigma_x_" + u, "sigma_y_" + u, "sigma_z_" + u, "sigma_diameter_" + u, "dx_" + u, "dy_" + u, "dz_" + u, "points", "arc_deg", "instrument",
		"zone_" + u, "position_" + u, "sigma_position_" + u, "decision", "sizes"}}
	for _, m := range r.Mounts {
		row := []string{m.Name, string(m.Kind), strconv.FormatBool(m.Found)}
		for _, v := range []Vec3{m.Center, m.Axis} {
			row = append(row, digits(v[0], r.Units), digits(v[1], r.Units), digits(v[2], r.Units))
		}
		row = append(row, digits(m.Diameter, r.Units))
		for _, x := range []float64{m.Sigma[0], m.Sigma[1], m.Sigma[2], m.SigmaDiameter, m.Deviation[0], m.Deviation[1], m.Deviation[2]} {
			row = append(row, digits(x, r.Units))
		}
		row = append(row, strconv.Itoa(m.Points), strconv.FormatFloat(m.Arc, 'f', 0, 64), m.Instrument)
		row = append(row, positionCells(m.Position, r.Units)...)
		rows = append(rows, append(row, sizesCell(m, r.Units)))
	}
	return CSV(rows)
}

func positionCells(p *Position, u length.Unit) []string {
	if p == nil {
		return []string{"", "", "", ""}
	}
	return []string{digits(p.Zone, u), digits(p.Deviation, u), digits(p.Sigma, u), string(p.Decision)}
}

// sizesCell lists the other sizes in one cell: name value ± sigma unit; ….
func sizesCell(m Mount, u length.Unit) string {
	var parts []string
	for _, z := range m.Sizes {
		parts = append(parts, fmt.Sprintf("%s %s ± %s %s", z.Name, digits(z.Value, u), digits(z.Sigma, u), z.Unit))
	}
	for _, t := range m.Threads {
		parts = append(parts, "suggested "+t.Name)
	}
	return strings.Join(parts, "; ")
}

// PitchesCSV writes the distances and angles between the mounts, one line a pair.
func PitchesCSV(r Report) ([]byte, error) {
	u := string(r.Units)
	rows := [][]string{{"from", "to", "distance_" + u, "sigma_distance_" + u, "dx_" + u, "dy_" + u, "dz_" + u, "sigma_dx_" + u, "sigma_dy_" + u, "sigma_dz_" + u, "angle_deg", "sigma_angle_deg"}}
	for _, p := range r.Pitches {
		row := []string{p.A, p.B, digits(p.Distance, r.Units), digits(p.SigmaDist, r.Units)}
		for _, v := range []Vec3{p.Delta, p.Sigma} {
			row = append(row, digits(v[0], r.Units), digits(v[1], r.Units), digits(v[2], r.Units))
		}
		rows = append(rows, append(row, digits(p.Angle, r.Units), digits(p.SigmaAngle, r.Units)))
	}
	return CSV(rows)
}
