package glb

import "math"

// Vertex colours of the format are linear in light, those of screens and
// scanners follow IEC 61966-2-1 (sRGB); these two turn one into the other.

// encodeSRGB returns the screen's byte for a linear value of 0 to 1; what is not
// a number becomes 0.
func encodeSRGB(linear float64) uint8 {
	switch {
	case !(linear > 0):
		return 0
	case linear >= 1:
		return 255
	case linear <= 0.0031308:
		return uint8(math.Round(255 * 12.92 * linear))
	default:
		return uint8(math.Round(255 * (1.055*math.Pow(linear, 1/2.4) - 0.055)))
	}
}

// decodeSRGB returns the linear byte for a screen's byte.
func decodeSRGB(screen uint8) uint8 {
	v := float64(screen) / 255
	if v <= 0.04045 {
		return uint8(math.Round(255 * v / 12.92))
	}
	return uint8(math.Round(255 * math.Pow((v+0.055)/1.055, 2.4)))
}

// screenTable is encodeSRGB of every linear byte.
func screenTable() (table [256]uint8) {
	for i := range table {
		table[i] = encodeSRGB(float64(i) / 255)
	}
	return table
}

// linearTable is decodeSRGB of every screen's byte.
func linearTable() (table [256]uint8) {
	for i := range table {
		table[i] = decodeSRGB(uint8(i))
	}
	return table
}
