package pipeline

import (
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
	"trammel/pipeline/sphere"
)

// sighting is a sphere as one set-up with a given pose shows it.
type sighting struct {
	station int // index into Checked.Stations
	at      geom.Vec
	cov     geom.Mat
}

// meetGiven gathers the spheres that set-ups with given poses show. Each pose
// carries its set-up's spheres into the common frame, where those of one sphere
// should meet: so given poses are checked, not believed, and a datum finds its
// control points.
func (c *Checked) meetGiven() {
	if c.Network != nil {
		return
	}
	var places [][]sighting
	for k, st := range c.Stations {
		if !st.Linked {
			continue
		}
		for _, b := range c.Files[st.File].Spheres {
			if !b.Usable {
				continue
			}
			s := sighting{station: k, at: st.ToNetwork.Apply(b.Center), cov: st.ToNetwork.R.Congruent(b.Cov)}
			if i := slices.IndexFunc(places, func(p []sighting) bool { return joins(p, s, b) }); i >= 0 {
				places[i] = append(places[i], s)
			} else {
				places = append(places, []sighting{s})
			}
		}
	}
	if len(places) == 0 {
		return
	}
	c.Network = c.meet(places)
}

// joins reports whether a sighting is of the sphere already seen at a place: two
// spheres cannot stand closer than their diameter.
func joins(place []sighting, s sighting, b sphere.Sphere) bool {
	return place[0].at.Dist(s.at) < b.Nominal/2 && !slices.ContainsFunc(place, func(x sighting) bool { return x.station == s.station })
}

// meet averages the sightings of each sphere and blames set-ups that see theirs
// elsewhere than the others do.
func (c *Checked) meet(places [][]sighting) *network.Result {
	n := &network.Result{PValue: 1}
	for _, st := range c.Stations {
		n.Stations = append(n.Stations, network.StationResult{Name: c.Files[st.File].Path, StationToNetwork: st.ToNetwork, Linked: st.Linked})
	}
	off := make([][]float64, len(c.Stations))
	for i, p := range places {
		s := network.SphereResult{ID: fmt.Sprintf("S%d", i+1), Status: network.Used}
		var weight geom.Mat
		var sum geom.Vec
		for _, x := range p {
			inv, ok := x.cov.Inv()
			if !ok {
				inv = geom.Identity()
			}
			weight, sum = weight.Add(inv), sum.Add(inv.MulVec(x.at))
			s.Stations = append(s.Stations, x.station)
		}
		s.Cov, _ = weight.Inv()
		s.Center = s.Cov.MulVec(sum)
		if len(p) == 1 {
			s.Status = network.Single
		}
		for _, x := range p {
			d := x.at.Sub(s.Center)
			if inv, ok := x.cov.Inv(); ok && len(p) > 1 {
				n.Chi2 += d.Dot(inv.MulVec(d))
				off[x.station] = append(off[x.station], d.Norm())
			}
		}
		n.DOF += 3 * (len(p) - 1)
		n.Spheres = append(n.Spheres, s)
	}
	if n.DOF > 0 {
		n.Sigma0 = math.Sqrt(n.Chi2 / float64(n.DOF))
	}
	c.blameGiven(off)
	return n
}

// givenApart is the distance in millimetres from which on a set-up's spheres are
// not where the others see them: some three times the centre's uncertainty at
// twenty metres (common practice, no source).
const givenApart = 3.0

func (c *Checked) blameGiven(off [][]float64) {
	for k, d := range off {
		if len(d) == 0 {
			continue
		}
		slices.Sort(d)
		if typical := d[len(d)/2]; typical > givenApart {
			path := c.Files[c.Stations[k].File].Path
			c.Findings = append(c.Findings, job.Finding{Code: job.OverlapBias, Severity: job.Warn, Subject: path,
				Text: fmt.Sprintf("With its given pose, the %d spheres that %s shares with other set-ups lie %.1f mm (median) from where they meet on average; %.1f mm are allowed. To do: check the pose, or let the set-ups be tied by the spheres (register: spheres).",
					len(d), job.Printable(path), typical, givenApart)})
		}
	}
}
