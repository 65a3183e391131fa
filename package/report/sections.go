package report

import (
	"fmt"
	"strconv"
	"strings"

	"trammel/pipeline/job"
)

func findingsSection(r *Report) section {
	s := section{ID: "findings", Title: "Findings"}
	if len(r.Findings) == 0 {
		s.Text = []string{"Nothing was found that a person should know about."}
		return s
	}
	s.Text = []string{"What holds needs a person: act on it at the job site, or accept it by name. A warning affects a result. A note needs nothing done."}
	t := table{Caption: "Findings, what holds first", Columns: []column{{Name: "Effect", Share: 2}, {Name: "About", Share: 4}, {Name: "What was found and what to do", Share: 12}}}
	for _, f := range r.Findings {
		effect, text := severity(f.Severity), f.Text
		if by := acceptedBy(r, f); by != "" {
			effect += ",\naccepted"
		}
		if len(f.Stations) > 0 {
			text += "\nConcerns " + strings.Join(f.Stations, ", ") + "."
		}
		t.Groups = append(t.Groups, group{Name: effect, Mark: f.Severity, Rows: [][]string{{string(f.Code) + "\n" + f.Subject, text}}})
	}
	s.Tables = []table{t}
	return s
}

func decisionsSection(r *Report) section {
	s := section{ID: "decisions", Title: "Decisions"}
	if len(r.Accepted)+len(r.Released) == 0 {
		s.Text = []string{"Nobody has accepted a finding or released a package so far."}
		return s
	}
	t := table{Caption: "What people decided, as the session log has it", Columns: []column{{Name: "Decision", Share: 3}, {Name: "About", Share: 6}, {Name: "By", Share: 4}, {Name: "Why", Share: 7}}}
	for _, d := range r.Accepted {
		t.Groups = append(t.Groups, one("accepted", d.Subject, d.By, d.Why))
	}
	for _, d := range r.Released {
		t.Groups = append(t.Groups, one("released", d.Subject, d.By, d.Why))
	}
	s.Tables = []table{t}
	return s
}

func planSection(r *Report, p *Pictures) section {
	s := section{ID: "plan", Title: "Plan"}
	if len(p.Plan.PNG) == 0 {
		s.Text = []string{"No set-up could be placed, so there is no plan."}
		return s
	}
	caption := "Where the scanner stood and where the spheres were, from above."
	var without []string
	for _, st := range r.Network.Stations {
		if !st.Linked {
			without = append(without, st.Path)
		}
	}
	if len(without) > 0 {
		caption += " Not tied to the others and therefore without a place here: " + strings.Join(without, ", ") + "."
	}
	s.Figures = []figure{{Caption: caption, SVG: p.Plan.SVG, PNG: p.Plan.PNG, Wide: true}}
	return s
}

func datumSection(r *Report, p *Pictures, f figures) section {
	s := section{ID: "datum", Title: "Datum"}
	if r.Datum == nil {
		s.Text = []string{"The job sheet sets no datum: everything is in the frame of the network, which is that of its first set-up."}
		return s
	}
	d := r.Datum
	fits := "It fits"
	if !d.Fits {
		fits = "It does not fit, and the deliverables stay in the frame of the network"
	}
	s.Text = []string{fmt.Sprintf("Method: %s. %s; rms of the residuals %s.", d.Method, fits, f.named(d.RMS)),
		"A point p of the network is at R·p + t in the datum's frame."}
	motion := table{Caption: "Rotation R (without unit) and translation t, network to datum",
		Columns: []column{{Name: "To", Share: 1}, {Name: "from X", Share: 3, Number: true}, {Name: "from Y", Share: 3, Number: true}, {Name: "from Z", Share: 3, Number: true}, {Name: f.in("t"), Share: 3, Number: true}}}
	for i, name := range [...]string{"X", "Y", "Z"} {
		motion.Groups = append(motion.Groups, one(name, fixed(d.Rotation[3*i], 9), fixed(d.Rotation[3*i+1], 9), fixed(d.Rotation[3*i+2], 9), f.fine(d.Translation[i])))
	}
	s.Tables = append(s.Tables, motion)
	if len(d.Points) > 0 {
		s.Tables = append(s.Tables, residuals(d, f))
	}
	if len(d.Elements) > 0 {
		s.Tables = append(s.Tables, elements(d, f))
	}
	if len(d.Wheels) > 0 {
		s.Tables = append(s.Tables, wheels(d, f))
	}
	if a := d.Asymmetry; a != nil {
		s.Text = append(s.Text, fmt.Sprintf("Against its own mirror image, half of the object's surface lies within %s and 95 %% within %s; the largest distance is %s.", f.named(a.Median), f.named(a.P95), f.named(a.Largest)))
	}
	if p.Asymmetry != nil {
		s.Figures = append(s.Figures, figure{Caption: p.Asymmetry.Caption, PNG: p.Asymmetry.PNG, Wide: true})
	}
	s.Text = append(s.Text, fmt.Sprintf("Standard uncertainty of the frame: turns about X, Y, Z %s, %s, %s degrees; place of its middle %s, %s, %s.",
		fixed(d.SigmaTurn[0], 4), fixed(d.SigmaTurn[1], 4), fixed(d.SigmaTurn[2], 4), f.named(d.Sigma[0]), f.named(d.Sigma[1]), f.named(d.Sigma[2])))
	return s
}

// elements lists the planes and spots that hold a datum.
func elements(d *Datum, f figures) table {
	t := table{Caption: "Elements that hold the datum, in its own frame; planes are least-squares planes", Columns: []column{{Name: "Element", Share: 3},
		{Name: f.in("X"), Share: 2, Number: true}, {Name: f.in("Y"), Share: 2, Number: true}, {Name: f.in("Z"), Share: 2, Number: true}, {Name: "Normal", Share: 4}, {Name: f.in("rms"), Share: 2, Number: true}, {Name: "Points", Share: 2, Number: true}}}
	for _, e := range d.Elements {
		normal := "–"
		if e.Normal != (Vec3{}) {
			normal = fixed(e.Normal[0], 5) + ", " + fixed(e.Normal[1], 5) + ", " + fixed(e.Normal[2], 5)
		}
		t.Groups = append(t.Groups, one(e.Name, f.fine(e.At[0]), f.fine(e.At[1]), f.fine(e.At[2]), normal, f.fine(e.RMS), fmt.Sprint(e.Points)))
	}
	return t
}

// wheels lists where the wheels would touch the plane that they stand on.
func wheels(d *Datum, f figures) table {
	t := table{Caption: "Wheels that hold Z: the lowest points of their treads' largest circles; where tyres are pressed flat does not count", Columns: []column{{Name: "Wheel", Share: 2},
		{Name: f.in("X"), Share: 2, Number: true}, {Name: f.in("Y"), Share: 2, Number: true}, {Name: f.in("Off the plane"), Share: 2, Number: true}, {Name: f.in("Uncertainty"), Share: 2, Number: true}, {Name: f.in("Radius"), Share: 2, Number: true}, {Name: f.in("rms"), Share: 2, Number: true}, {Name: "Points", Share: 2, Number: true}}}
	for i, w := range d.Wheels {
		t.Groups = append(t.Groups, one(fmt.Sprint(i+1), f.at(w.At[0]), f.at(w.At[1]), f.signed(w.Off), f.fine(w.Sigma), f.at(w.Radius), f.fine(w.RMS), fmt.Sprint(w.Points)))
	}
	return t
}

func residuals(d *Datum, f figures) table {
	t := table{Caption: "Control points: placed minus known coordinates", Columns: []column{{Name: "Point", Share: 4}, {Name: "Sphere", Share: 2},
		{Name: f.in("dX"), Share: 2, Number: true}, {Name: f.in("dY"), Share: 2, Number: true}, {Name: f.in("dZ"), Share: 2, Number: true}, {Name: "Used", Share: 1.5}}}
	for _, p := range d.Points {
		g := one(p.Name, p.Sphere, f.signed(p.Residual[0]), f.signed(p.Residual[1]), f.signed(p.Residual[2]), yesNo(p.Used))
		if !p.Used {
			g.Mark = job.Warn
		}
		t.Groups = append(t.Groups, g)
	}
	return t
}

func networkSection(r *Report, f figures) section {
	s := section{ID: "network", Title: "Set-ups and spheres"}
	n := r.Network
	if len(n.Stations) == 0 && len(n.Spheres) == 0 {
		s.Text = []string{"No set-ups were tied together."}
		return s
	}
	if len(n.Spheres) > 0 {
		s.Text = []string{fmt.Sprintf("Standard deviation of unit weight %s with %s of freedom; 1 says that the spheres fit as well as their own scatter lets one expect.",
			fixed(n.Sigma0, 3), plural(n.DOF, "degree", "degrees"))}
	}
	s.Text = append(s.Text, "A pose maps a file's own frame, scaled to the job's units, to the frame of the deliverables; the rms is that of a set-up's spheres about their adjusted centres.")
	s.Tables = []table{stationTable(n.Stations, f)}
	if len(n.Spheres) > 0 {
		s.Tables = append(s.Tables, sphereTable(n.Spheres, f))
	}
	return s
}

func stationTable(stations []Station, f figures) table {
	t := table{Caption: "Set-ups", Columns: []column{{Name: "File", Share: 6}, {Name: f.in("X, Y, Z"), Share: 3, Number: true}, {Name: "Rotation, row by row", Share: 7, Number: true}, {Name: f.in("rms"), Share: 2, Number: true}}}
	for _, st := range stations {
		t.Groups = append(t.Groups, poseGroup(st.Path, st.Linked, st.Translation, st.Rotation, f, f.fine(st.RMS)))
	}
	return t
}

// poseGroup writes no numbers where there is no pose.
func poseGroup(file string, linked bool, at Vec3, rotation [9]float64, f figures, rest ...string) group {
	if !linked {
		return group{Name: file, Mark: job.Hold, Rows: [][]string{append([]string{"not tied", ""}, make([]string, len(rest))...)}}
	}
	return one(file, append([]string{each(at, f.at), matrix(rotation)}, rest...)...)
}

func sphereTable(spheres []NetworkSphere, f figures) table {
	t := table{Caption: "Spheres, adjusted; u is the standard uncertainty", Columns: []column{{Name: "Sphere", Share: 2}, {Name: f.in("X, Y, Z"), Share: 3, Number: true},
		{Name: f.in("u"), Share: 2.4, Number: true}, {Name: "Status", Share: 2}, {Name: "Seen from", Share: 9}}}
	for _, b := range spheres {
		g := one(b.ID, each(b.Center, f.at), each(b.Sigma, f.fine), b.Status, strings.Join(b.Stations, ", "))
		if b.Status == "moved" {
			g.Mark = job.Hold
		}
		t.Groups = append(t.Groups, g)
	}
	return t
}

func trackedSection(r *Report, f figures) section {
	s := section{ID: "tracked", Title: "Tracked scans"}
	if len(r.Tracked) == 0 {
		s.Text = []string{"The job has no tracked scans."}
		return s
	}
	t := table{Caption: "Tracked scans, tied by the shape of the surface and by the spheres that they show", Columns: []column{{Name: "File", Share: 6}, {Name: f.in("X, Y, Z"), Share: 3, Number: true},
		{Name: "Rotation, row by row", Share: 7, Number: true}, {Name: f.in("rms"), Share: 2, Number: true}, {Name: "Overlap", Share: 2, Number: true},
		{Name: "Pairs of surfaces", Share: 2, Number: true}, {Name: "Spheres", Share: 2, Number: true}, {Name: f.in("Sigma"), Share: 2, Number: true}}}
	for _, x := range r.Tracked {
		t.Groups = append(t.Groups, poseGroup(x.Path, x.Linked, x.Translation, x.Rotation, f, f.fine(x.RMS), percent(x.Overlap), strconv.Itoa(x.Ties), strconv.Itoa(x.Spheres), f.fine(x.Sigma)))
		if w := x.TwoWays; w != nil {
			s.Text = append(s.Text, fmt.Sprintf("By its spheres alone %s lies %s (standard uncertainty %s, %.1f sigma) from where its surface alone puts it, at the corner of its box where that is clearest.",
				oneLine(x.Path), f.named(w.Apart), f.named(w.Sigma), w.Sigmas))
		}
	}
	s.Tables = []table{t}
	return s
}
