package format

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// sameAsStrconv compares number with the standard library, bit by bit.
func sameAsStrconv(t interface {
	Helper()
	Fatalf(string, ...any)
}, s string) {
	t.Helper()
	want, err := strconv.ParseFloat(s, 64)
	got, rest, ok := number([]byte(" \t" + s + " 7"))
	if wantOK := err == nil || math.IsInf(want, 0); ok != wantOK {
		t.Fatalf("%q: got ok %v, strconv says %v", s, ok, err)
	}
	if ok && (math.Float64bits(got) != math.Float64bits(want) && !(math.IsNaN(got) && math.IsNaN(want)) || string(rest) != " 7") {
		t.Fatalf("%q: got %v and %q, want %v", s, got, rest, want)
	}
}

func TestNumberIsCorrectlyRounded(t *testing.T) {
	for name, pattern := range map[string]string{
		"any":       `[+-]?[0-9]{0,20}(\.[0-9]{0,20})?([eE][+-]?[0-9]{1,4})?`,
		"decimals":  `-?[0-9]{1,7}\.[0-9]{1,12}`,
		"19 digits": `-?[0-9]{4}\.[0-9]{15}`,
		"printf %e": `-?[0-9]\.[0-9]{6,16}e[+-][0-9]{2}`,
	} {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				if s := rapid.StringMatching(pattern).Draw(t, "number"); s != "" {
					sameAsStrconv(t, s)
				}
			})
		})
	}
}

// TestNumberOfFloats reads back what prints a float with all its digits, and the
// numbers halfway between two floats, where a second rounding would show.
func TestNumberOfFloats(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e7, 1e7).Draw(t, "v")
		for _, digits := range []int{6, 12, 15, 17, 19} {
			sameAsStrconv(t, strconv.FormatFloat(v, 'f', digits, 64))
			sameAsStrconv(t, strconv.FormatFloat(v, 'e', digits, 64))
		}
		sameAsStrconv(t, strconv.FormatFloat(v, 'g', -1, 64))
		m := rapid.Uint64Range(1<<52, 1<<53-1).Draw(t, "m")
		sameAsStrconv(t, strconv.FormatUint(2*m+1, 10)) // 54 bits: a tie
		sameAsStrconv(t, strconv.FormatUint(m, 10)+".5")
		sameAsStrconv(t, strconv.FormatUint(m, 10)+".50000000000000000001")
	})
}

func TestNotANumber(t *testing.T) {
	for _, s := range []string{"nan", "-nan", "NaN", "nan(ind)", "-1.#QNAN", "1.#IND"} {
		if v, _, ok := number([]byte(s)); !ok || !math.IsNaN(v) {
			t.Errorf("%q: got %v, %v, want not a number", s, v, ok)
		}
	}
	for _, s := range []string{"", " ", ".", "-", "e5", "1e", "1e+", "1.2.3", "1,5", "12x", "--1", "0x"} {
		if v, _, ok := number([]byte(s)); ok {
			t.Errorf("%q: got %v, want no number", s, v)
		}
	}
	sameAsStrconv(t, strings.Repeat("9", 400))
	sameAsStrconv(t, "1e-400")
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"0", "-1.5e-7", "9007199254740993", "0.1234567890123456789", "1e22", "1e23", "123456789012345678e-19", ".5", "5.", "inf", "nan"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if s == "" || strings.ContainsAny(s, " \t\r\v\f_xX#nN") {
			return // separators, and what strconv and scan files spell differently
		}
		sameAsStrconv(t, s)
	})
}

func BenchmarkNumber(b *testing.B) {
	for _, s := range []string{"12.345", "-1234.567890", "289814.150000000023", "1.234567e-01"} {
		b.Run(s, func(b *testing.B) {
			raw := []byte(s)
			b.SetBytes(int64(len(raw)))
			for b.Loop() {
				if _, _, ok := number(raw); !ok {
					b.Fatal("not read")
				}
			}
		})
	}
}
