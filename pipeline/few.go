package pipeline

import (
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
	"trammel/pipeline/posegraph"
)

// enoughSpheres tie a set-up by themselves.
const enoughSpheres = 3

// showFew lists the set-ups that are to be tied by spheres and show too few of them,
// where spheres tie others: those are tied by their surface, so that the rest of the
// work goes on. They stay on hold.
func (c *Checked) showFew() []int {
	if c.Network == nil || !slices.ContainsFunc(c.Network.Stations, func(s network.StationResult) bool { return s.Linked }) {
		return nil
	}
	var out []int
	c.used(bySpheres, func(i int) {
		k := slices.IndexFunc(c.Stations, func(s Station) bool { return s.File == i })
		if k >= 0 && !c.Stations[k].Linked && usable(c.Files[i].Spheres) < enoughSpheres {
			out = append(out, i)
		}
	})
	return out
}

// seeSpheres enters the few spheres of such set-ups as observations of the network's,
// where their rough places have them.
func (t *tying) seeSpheres() {
	for i := range t.bodies {
		b := &t.bodies[i]
		if !b.few || !b.placed {
			continue
		}
		for _, s := range t.built.Files[b.file].Spheres {
			at := b.toNetwork.Apply(s.Center)
			p := slices.IndexFunc(t.points, func(k int) bool {
				x := &t.checked.Network.Spheres[k]
				return x.Status != network.Moved && x.Center.Dist(at) < s.Nominal/2
			})
			if s.Usable && p >= 0 {
				t.sights = append(t.sights, posegraph.Sight{Body: i, Point: p, At: s.Center, Cov: s.Cov.Add(geom.Diag(stable*stable, stable*stable, stable*stable))})
			}
		}
	}
}

// sayFew adds to the finding on too few spheres what was done instead, and how well
// that holds.
func (t *tying) sayFew(i, pairs int, st *Station) {
	c, file := t.checked, &t.built.Files[t.bodies[i].file]
	spheres := 0
	for _, s := range t.sights {
		if s.Body == i {
			spheres++
		}
	}
	at := st.ToNetwork.Apply(t.bodies[i].cloud.Bounds().Center())
	sigma := math.Sqrt(max(0, st.BySurface.At(at).Trace()))
	for k := range c.Findings {
		if f := &c.Findings[k]; f.Code == job.SpheresFew && f.Subject == file.Path {
			f.Text += fmt.Sprintf(" Until then it is tied by the surface that it shares with other set-ups (%d pairs) and by %d of its own spheres, which holds the middle of what it saw to %.2f mm (1 sigma in space). To do: scan again with at least four spheres in view, or accept this finding by name if that is enough.", pairs, spheres, sigma)
		}
	}
}
