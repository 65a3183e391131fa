package simulate

import (
	"bytes"
	"fmt"
	"io"
)

// sheetHead is the job sheet of the demo up to its datum points.
const sheetHead = `# Job sheet of an invented capture; trammel demo wrote it and the scans beside it.
# Every length is written with its unit.
job: "DEMO-001"
title: Trailed orchard sprayer, mounts for the new boom
client: Invented Orchards
units: mm
captured: true
instruments:
  - name: tripod               # each file is one set-up in its own frame
    kind: station
    drop: scans/tripod
    units: m
    expect: %d
    noise: 1 mm
  - name: hand                 # the underside, where the mounts are
    kind: tracked
    drop: scans/hand
    units: mm
    prefer: true
spheres:
  diameter: 145 mm
  tolerance: 1 mm
  expect: 6
object:                        # the sprayer without floor, spheres and clutter
  box: {min: [-2200 mm, -1050 mm, 30 mm], max: [2700 mm, 1050 mm, 2300 mm]}
mesh:
  voxel: 8 mm
  fine: [{mount: front-left-1, voxel: 2 mm}]   # there the new boom carries most
  triangles: 200000
  deviation: 4 mm
datum:                         # the sprayer's own axes: X to the drawbar, Y left, Z up from the floor
  method: control
  points:
`

const sheetTail = `  - name: rear-left-plate      # all four holes of one plate, and whether the bolt pattern is in place
    near: [-1147 mm, 398 mm, 488 mm]
    within: 150 mm
    at: [-1150 mm, 400 mm, 488 mm]
    expect: pattern
    shape: rectangle
    holes: 4
    pitch: [220 mm, 180 mm]
    diameter: 17.5 mm
    position: 0.5 mm
coverage:
  - name: underside            # the mounting plates and the beams' lower faces
    box: {min: [-1400 mm, -540 mm, 480 mm], max: [1350 mm, 540 mm, 530 mm]}
    spacing: 6 mm
    share: 0.8
package:
  format: zip
  raw: false
`

// controlled is how many of the six spheres have known coordinates.
const controlled = 5

func (c *capture) writeSheet(w io.Writer) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, sheetHead, c.o.SetUps)
	for _, s := range c.truth.Spheres[:controlled] {
		fmt.Fprintf(&b, "    - {name: %s, at: [%.1f mm, %.1f mm, %.1f mm]}\n", s.Name, s.Center[0], s.Center[1], s.Center[2])
	}
	b.WriteString("mounts:                        # places from the drawing, good to some millimetres\n")
	for _, i := range []int{0, 1, 6, 7, 8, 9, 14, 15} { // two holes on opposite ends of each plate
		h := c.truth.Holes[i]
		fmt.Fprintf(&b, "  - name: %s\n    near: [%.0f mm, %.0f mm, %.0f mm]\n    within: 40 mm\n    expect: hole\n    diameter: %.1f mm\n",
			h.Name, h.Center[0]+3, h.Center[1]-2, h.Center[2], h.Diameter)
	}
	b.WriteString(sheetTail)
	_, err := w.Write(b.Bytes())
	return err
}
