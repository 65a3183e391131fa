package report

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"

	"trammel/pipeline/length"
)

// digits writes a tenth of a micrometre, and no minus before a zero.
func digits(x float64, u length.Unit) string {
	decimals := map[length.Unit]int{length.Millimetre: 4, length.Centimetre: 5, length.Inch: 6, length.Metre: 7}[u]
	return fixed(x, max(4, decimals))
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
