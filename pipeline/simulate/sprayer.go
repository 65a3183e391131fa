package simulate

import (
	"math"

	"trammel/pipeline/geom"
)

// The invented machine of the demo: a trailed orchard sprayer on its wheels and
// on stands, whose old boom is gone and whose new one will bolt to four plates
// under the chassis. Frame: X forward to the drawbar, Y left, Z up, zero on the
// floor below the middle. Sizes in millimetres.

// Materials of the scene. The figures make plausible effects, they are not
// measured (common practice, no source).
var (
	concrete   = Material{Reflectance: 0.35}
	galvanised = Material{Reflectance: 0.55, Gloss: 0.25}
	primer     = Material{Reflectance: 0.6}
	paint      = Material{Reflectance: 0.3, Gloss: 0.8}
	rubber     = Material{Reflectance: 0.04, Gloss: 0.2}
	plastic    = Material{Reflectance: 0.5, Gloss: 0.1, Translucency: 1}
	white      = Material{Reflectance: 0.9}
	wood       = Material{Reflectance: 0.5}
)

const (
	underside     = 500.0 // height of the chassis' lower face
	plateThick    = 12.0
	plateBottom   = underside - plateThick
	sphereSize    = 145.0
	rodRadius     = 8.0
	beamLine      = 400.0 // Y of the chassis beams, left and right
	plateHalfX    = 150.0
	plateHalfY    = 120.0
	boltX, boltY  = 110.0, 90.0 // of the bolt pattern about the plate's middle
	smallClear    = 13.5        // medium clearance hole for M12, ISO 273 (CV-10.5)
	largeClear    = 17.5        // the same for M16
	frontPlateX   = 900.0
	rearPlateX    = -1150.0
	rearTyreReach = 950.0
)

// Hole is a through-hole of the mounting plates, in the sprayer's frame.
type Hole struct {
	Name      string     `json:"name"`
	Center    [3]float64 `json:"center"` // on the lower face, mm
	Axis      [3]float64 `json:"axis"`   // into the plate
	Diameter  float64    `json:"diameter"`
	Thickness float64    `json:"thickness"`
}

// Ball is a reference sphere, in the sprayer's frame.
type Ball struct {
	Name     string     `json:"name"`
	Center   [3]float64 `json:"center"`
	Diameter float64    `json:"diameter"`
}

// balls stand around the machine at heights and distances that repeat nowhere,
// so that no turn or mirror image of the layout fits itself.
func balls() []Ball {
	at := [...][3]float64{
		{2950, 1500, 745}, {2350, -1950, 1980}, {-450, 2350, 2160},
		{-2650, 1450, 1420}, {-2900, -1250, 2290}, {350, -2550, 1640},
	}
	out := make([]Ball, len(at))
	for i, c := range at {
		out[i] = Ball{Name: string(rune('A' + i)), Center: c, Diameter: sphereSize}
	}
	return out
}

func box(name string, lo, hi geom.Vec, m Material) Part {
	b := geom.Box{Min: lo, Max: hi}
	return At(name, Box{Half: b.Size().Scale(0.5)}, b.Center(), m)
}

func vec(x, y, z float64) geom.Vec { return geom.Vec{X: x, Y: y, Z: z} }

// sprayer returns the machine's parts and the holes of its plates.
func sprayer() ([]Part, []Hole) {
	parts := chassis()
	parts = append(parts, running()...)
	parts = append(parts, upperWorks()...)
	plates, holes := plates()
	return append(parts, plates...), holes
}

func chassis() []Part {
	parts := []Part{
		box("drawbar", vec(1400, -50, underside), vec(2500, 50, 600), galvanised),
		Along("hitch", Cylinder{Radius: 60, Length: 40}, vec(2540, 0, 550), vec(0, 0, 1), galvanised),
		box("drawbar stand", vec(2150, -60, 0), vec(2270, 60, underside), primer),
	}
	for _, side := range []float64{-1, 1} {
		y := side * beamLine
		parts = append(parts,
			box("beam", vec(-1500, y-40, underside), vec(1400, y+40, 600), galvanised),
			At("stand", Cylinder{Radius: 45, Length: underside}, vec(-1420, y, underside/2), primer),
			box("mast upright", vec(-1490, side*500-40, 600), vec(-1410, side*500+40, 2200), galvanised))
	}
	for i, x := range []float64{-820, -640, -330, 120, 330, 620} { // stickers that guided a tracked scanner, left on the beams
		y := beamLine * float64(1-2*(i%2))
		parts = append(parts, At("target", Cylinder{Radius: 3 + float64(i/2%2), Length: 0.6}, vec(x, y+12, underside), white))
	}
	for _, x := range []float64{-1400, -500, 450, 1340} {
		parts = append(parts, box("cross member", vec(x-40, -beamLine+40, 510), vec(x+40, beamLine-40, 590), galvanised))
	}
	return append(parts, box("mast top", vec(-1490, -540, 2120), vec(-1410, 540, 2200), galvanised))
}

func running() []Part {
	sideways := vec(0, 1, 0)
	parts := []Part{Along("axle", Cylinder{Radius: 45, Length: 1560}, vec(-200, 0, 430), sideways, primer)}
	for _, side := range []float64{-1, 1} {
		c := vec(-200, side*(rearTyreReach-120), 430)
		parts = append(parts,
			Along("tyre", Torus{Major: 310, Minor: 120}, c, sideways, rubber),
			Along("rim", Cylinder{Radius: 215, Length: 120}, c, sideways, paint),
			Along("hub", Cylinder{Radius: 70, Length: 200}, c, sideways, primer))
	}
	return parts
}

func upperWorks() []Part {
	forward := vec(1, 0, 0)
	parts := []Part{
		At("tank", RoundedBox{Half: vec(950, 620, 430), Radius: 220}, vec(100, 0, 1170), plastic),
		At("tank lid", Cylinder{Radius: 200, Length: 60}, vec(250, 0, 1625), paint),
		Along("fan housing", Cylinder{Radius: 470, Length: 380}, vec(-1790, 0, 1050), forward, paint),
		At("fan hub", Ellipsoid{Half: vec(140, 200, 200)}, vec(-1980, 0, 1050), primer),
		box("fan foot", vec(-1850, -250, underside), vec(-1500, 250, 620), galvanised),
		box("pump cover", vec(1130, -430, 600), vec(1380, 430, 1080), paint),
		Along("pipe", Cylinder{Radius: 70, Length: 1500}, vec(100, -700, 700), forward, primer), // nearly a sphere's radius: a decoy
	}
	for _, x := range []float64{-600, 700} {
		parts = append(parts, box("saddle", vec(x-60, -450, 600), vec(x+60, 450, 760), galvanised))
	}
	return parts
}

// plates are bolted flat under the beams; the bolt holes lie beside the beams.
func plates() ([]Part, []Hole) {
	var parts []Part
	var holes []Hole
	for _, p := range []struct {
		name     string
		x, side  float64
		diameter float64
	}{
		{"front-left", frontPlateX, 1, smallClear}, {"front-right", frontPlateX, -1, smallClear},
		{"rear-left", rearPlateX, 1, largeClear}, {"rear-right", rearPlateX, -1, largeClear},
	} {
		plate := Plate{Half: vec(plateHalfX, plateHalfY, plateThick/2)}
		center := vec(p.x, p.side*beamLine, plateBottom+plateThick/2)
		for i, corner := range [4][2]float64{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}} {
			x, y := corner[0]*boltX, corner[1]*boltY
			plate.Bores = append(plate.Bores, Bore{X: x, Y: y, Radius: p.diameter / 2})
			holes = append(holes, Hole{
				Name:   p.name + "-" + string(rune('1'+i)),
				Center: center.Add(vec(x, y, -plateThick/2)).Array(), Axis: [3]float64{0, 0, 1},
				Diameter: p.diameter, Thickness: plateThick,
			})
		}
		parts = append(parts, At("plate "+p.name, plate, center, primer))
	}
	return parts, holes
}

// surroundings are the floor, the spheres on their stands and things that look
// a little like spheres.
func surroundings(balls []Ball) []Part {
	parts := []Part{box("floor", vec(-20000, -20000, -100), vec(20000, 20000, 0), concrete)}
	for _, b := range balls {
		c := geom.FromArray(b.Center)
		parts = append(parts,
			At("sphere "+b.Name, Sphere{Radius: b.Diameter / 2}, c, white),
			At("rod", Cylinder{Radius: rodRadius, Length: c.Z}, vec(c.X, c.Y, c.Z/2), galvanised),
			At("foot", Cylinder{Radius: 160, Length: 20}, vec(c.X, c.Y, 10), galvanised))
	}
	return append(parts,
		At("lamp", Sphere{Radius: 60}, vec(1500, 3300, 1900), white),
		At("lamp post", Cylinder{Radius: 15, Length: 1850}, vec(1500, 3300, 925), galvanised),
		At("upright pipe", Cylinder{Radius: 72, Length: 1700}, vec(-1700, -3200, 850), white),
		box("crate", vec(3500, -3300, 0), vec(4300, -2600, 700), wood),
		box("pallet", vec(-4200, 2300, 0), vec(-3000, 3100, 144), wood),
		At("drum", Cylinder{Radius: 290, Length: 880}, vec(-3600, -2600, 440), paint))
}

// setUp is where the tripod stands: around the machine, alternately high and
// low, looking at its middle.
func setUp(i, n int, jitter func() float64) geom.Pose {
	angle := 2 * math.Pi * (float64(i) + 0.35) / float64(n)
	height := 1900.0
	if i%2 == 1 {
		height = 600
	}
	p := vec((4300+150*jitter())*math.Cos(angle), (3900+150*jitter())*math.Sin(angle), height+60*jitter())
	yaw := math.Atan2(-p.Y, -p.X) + 0.05*jitter()
	tilt := geom.RotVec(vec(0.02*jitter(), 0.02*jitter(), 0))
	return geom.Pose{R: tilt.Mul(geom.RotVec(vec(0, 0, yaw))), T: p}
}
