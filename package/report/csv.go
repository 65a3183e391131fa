package report

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"

	"trammel/pipeline/length"
)

// MountsCSV writes the table of mounts: one line each, lengths in the job's
// units to a tenth of a micrometre.
func MountsCSV(r Report) ([]byte, error) {
	u := string(r.Units)
	rows := [][]string{{"name", "kind", "found", "x_" + u, "y_" + u, "z_" + u, "axis_x", "axis_y", "axis_z", "diameter_" + u,
		"sigma_x_" + u, "sigma_y_" + u, "sigma_z_" + u, "sigma_diameter_" + u, "dx_" + u, "dy_" + u, "dz_" + u, "points", "arc_deg", "instrument"}}
	for _, m := range r.Mounts {
		row := []string{m.Name, string(m.Kind), strconv.FormatBool(m.Found)}
		for _, v := range []Vec3{m.Center, m.Axis} {
			row = append(row, digits(v[0], r.Units), digits(v[1], r.Units), digits(v[2], r.Units))
		}
		row = append(row, digits(m.Diameter, r.Units))
		for _, x := range []float64{m.Sigma[0], m.Sigma[1], m.Sigma[2], m.SigmaDiameter, m.Deviation[0], m.Deviation[1], m.Deviation[2]} {
			row = append(row, digits(x, r.Units))
		}
		rows = append(rows, append(row, strconv.Itoa(m.Points), strconv.FormatFloat(m.Arc, 'f', 0, 64), m.Instrument))
	}
	return CSV(rows)
}

func digits(x float64, u length.Unit) string {
	decimals := map[length.Unit]int{length.Millimetre: 4, length.Centimetre: 5, length.Inch: 6, length.Metre: 7}[u]
	return strconv.FormatFloat(x, 'f', max(4, decimals), 64)
}

// CSV encodes rows after RFC 4180. A cell that a spreadsheet would take for a
// formula gets a leading apostrophe.
func CSV(rows [][]string) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	for _, r := range rows {
		safe := make([]string, len(r))
		for i, c := range r {
			safe[i] = harmless(c)
		}
		if err := w.Write(safe); err != nil {
			return nil, err
		}
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

func harmless(cell string) string {
	if cell == "" || !strings.ContainsAny(cell[:1], "=+-@\t\r") {
		return cell
	}
	if _, err := strconv.ParseFloat(cell, 64); err == nil {
		return cell
	}
	return "'" + cell
}
