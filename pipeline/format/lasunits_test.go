package format

import (
	"encoding/binary"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/length"
)

// withRecord puts one more variable-length record before the points.
func withRecord(raw []byte, user string, id uint16, content []byte) []byte {
	le := binary.LittleEndian
	at := le.Uint32(raw[96:])
	v := lasRecord(user, id, content)
	out := slices.Concat(raw[:at], v, raw[at:])
	le.PutUint32(out[96:], at+uint32(len(v)))
	le.PutUint32(out[100:], le.Uint32(raw[100:])+1)
	return out
}

// geoKeys puts a directory of GeoTIFF keys (OGC 19-008) before the points.
func geoKeys(raw []byte, keys ...[2]uint16) []byte {
	le := binary.LittleEndian
	v := []byte{1, 0, 1, 0, 0, 0, byte(len(keys)), 0}
	for _, k := range keys {
		for _, x := range []uint16{k[0], 0, 1, k[1]} {
			v = le.AppendUint16(v, x)
		}
	}
	return withRecord(raw, "LASF_Projection", lasKeys, v)
}

func wellKnown(raw []byte, text string) []byte {
	return withRecord(raw, "LASF_Projection", lasWKT, append([]byte(text), 0))
}

// Texts in the forms of OGC 01-009 (WKT 1) and OGC 12-063r5 (WKT 2).
const (
	wktUTM = `PROJCS["a \"\"[zone",GEOGCS["b",DATUM["c",SPHEROID["d",6378137,298.2]],PRIMEM["e",0],UNIT["degree",0.0174532925199433]],` +
		`PROJECTION["Transverse_Mercator"],PARAMETER["scale_factor",0.9996],UNIT["metre",1,AUTHORITY["EPSG","9001"]],AXIS["Easting",EAST]]`
	wktHeights = `COMPD_CS["f",` + wktUTM + `,VERT_CS["g",VERT_DATUM["h",2005],UNIT["foot",0.3048]]]`
	wktLonLat  = `GEOGCS["b",DATUM["c",SPHEROID["d",6378137,298.2]],PRIMEM["e",0],UNIT["degree",0.0174532925199433]]`
	wktSite    = `ENGCRS["site",EDATUM["peg"],CS[Cartesian,3],AXIS["x",east,ORDER[1],LENGTHUNIT["foot",0.3048]],AXIS["y",north,LENGTHUNIT["foot",0.3048]]]`
	wktLocal   = `LOCAL_CS["bench",UNIT["millimetre",0.001]]`
	wktSurvey  = `PROJCS["s",` + wktLonLat + `,UNIT["US survey foot",0.304800609601219]]`
	wktFathoms = `LOCAL_CS["deep",UNIT["fathom",1.8288]]`
)

func TestLASUnits(t *testing.T) {
	plain := lasFile(2, 0, 3)
	for _, c := range []struct {
		name string
		raw  []byte
		want length.Unit
		note string
	}{
		{"nothing said", plain, length.Unknown, ""},
		{"metres", geoKeys(plain, [2]uint16{3076, 9001}), length.Metre, ""},
		{"feet", geoKeys(plain, [2]uint16{1024, 1}, [2]uint16{3076, 9002}), length.Foot, ""},
		{"survey feet", geoKeys(plain, [2]uint16{3076, 9003}), length.Unknown, "survey feet"},
		{"degrees", geoKeys(plain, [2]uint16{1024, 2}), length.Unknown, "degrees"},
		{"millimetres", geoKeys(plain, [2]uint16{3076, 1025}), length.Millimetre, ""},
		{"an unknown code", geoKeys(plain, [2]uint16{3076, 9035}), length.Unknown, "9035"},
		{"text in metres", wellKnown(plain, wktUTM), length.Metre, ""},
		{"text goes before keys", geoKeys(wellKnown(plain, wktUTM), [2]uint16{3076, 9002}), length.Metre, ""},
		{"keys before text do not matter", wellKnown(geoKeys(plain, [2]uint16{3076, 9003}), wktUTM), length.Metre, ""},
		{"text with heights in feet", wellKnown(plain, wktHeights), length.Unknown, "heights"},
		{"text in degrees", wellKnown(plain, wktLonLat), length.Unknown, "degrees"},
		{"text of the second kind", wellKnown(plain, wktSite), length.Foot, ""},
		{"text of a local system", wellKnown(plain, wktLocal), length.Millimetre, ""},
		{"text in survey feet", wellKnown(plain, wktSurvey), length.Unknown, "survey feet"},
		{"text in fathoms", wellKnown(plain, wktFathoms), length.Unknown, "1.8288"},
		{"torn text", wellKnown(plain, wktUTM[:len(wktUTM)/2]), length.Unknown, ""},
		{"only brackets", wellKnown(plain, strings.Repeat("UNIT[", 9999)), length.Unknown, ""},
		{"heights in others", geoKeys(plain, [2]uint16{3076, 9001}, [2]uint16{4099, 9002}), length.Unknown, "heights"},
	} {
		got, err := readAll(t, "a.las", c.raw)
		if err != nil || got.About.Units != c.want || c.note != "" && !strings.Contains(strings.Join(got.About.Notes, " "), c.note) {
			t.Errorf("%s: %q, %v, %v", c.name, got.About.Units, got.About.Notes, err)
		}
	}
}
