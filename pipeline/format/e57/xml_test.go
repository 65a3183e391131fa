package e57

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// rootOf reads XML of one element.
func rootOf(text string) (element, error) {
	t, err := newTokens([]byte(text))
	if err != nil {
		return element{}, err
	}
	for {
		k, err := t.next()
		if err != nil {
			return element{}, err
		}
		if k.kind == startTag {
			return t.tree(k)
		}
	}
}

func TestXMLText(t *testing.T) {
	for text, want := range map[string]string{
		"<a>b</a>":                              "b",
		"<a>\n b c\t</a >":                      "b c",
		"<a/>":                                  "",
		"<a b='>'>c</a>":                        "c",
		"\ufeff<?xml version='1.0'?><a>b</a>":   "b",
		"<a><![CDATA[<b>&amp;]]></a>":           "<b>&amp;",
		"<a>1<!-- 2 -->3<?4?>5</a>":             "135",
		"<a>&lt;&gt;&amp;&quot;&apos;</a>":      "<>&\"'",
		"<a>&#65;&#x42;&#x1F600;</a>":           "AB😀",
		"<a>]]>&amp;amp;</a>":                   "]]>&amp;",
		"<a><b>inner</b>outer</a>":              "outer",
		"<a><![CDATA[x]]]]><![CDATA[>y]]></a>":  "x]]>y",
		"<!-- before --><a>b</a><!-- after -->": "b",
		"<a>Größe</a>":                          "Größe",
	} {
		e, err := rootOf(text)
		if err != nil || e.words() != want {
			t.Errorf("%s: got %q, %v, want %q", text, e.words(), err, want)
		}
	}
}

func TestXMLAttributes(t *testing.T) {
	e, err := rootOf(`<a one="1" two = '2"' x:three="&lt;3" empty="" broken four="4"/>`)
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{"one": "1", "two": `2"`, "x:three": "<3", "empty": ""} {
		if got, ok := e.attribute(name); !ok || got != want {
			t.Errorf("%s: got %q, %v, want %q", name, got, ok, want)
		}
	}
	for _, name := range []string{"three", "five", "", "1"} {
		if got, ok := e.attribute(name); ok {
			t.Errorf("%q: got %q of an attribute that is not there", name, got)
		}
	}
	for _, text := range []string{`<a b=/>`, `<a b=c/>`, `<a ="1"/>`, `<a b/>`, `<a b="&no;"/>`} {
		if e, err := rootOf(text); err == nil {
			if got, ok := e.attribute("b"); ok {
				t.Errorf("%s: got %q", text, got)
			}
		}
	}
}

// TestXMLStrings writes any text as a string element and reads it back; what XML
// cannot hold is replaced.
func TestXMLStrings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.StringMatching(`[ -~äöü€\]>&<]{1,40}`).Draw(t, "text")
		var b xmlText
		b.text("a", want)
		e, err := rootOf(b.String())
		if err != nil {
			t.Fatal(err)
		}
		if got := string(e.text); got != want {
			t.Fatalf("%s: got %q, want %q", b.String(), got, want)
		}
	})
	if got := plainCharacters("a\x00b\xffc\uffff\t"); got != "a\ufffdb\ufffdc\ufffd\t" {
		t.Errorf("got %q", got)
	}
}

// TestXMLNumbers writes any float and reads the same one back.
func TestXMLNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.Float64().Draw(t, "v")
		e, err := rootOf(float("a", want))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := e.number(); err != nil || got != want {
			t.Fatalf("got %v, %v, want %v", got, err, want)
		}
	})
}

func TestWholeNumbers(t *testing.T) {
	for text, want := range map[string]int64{
		"0": 0, "-5": -5, "+7": 7, "9223372036854775807": math.MaxInt64, "-9223372036854775808": math.MinInt64,
		"1.5000e+003": 1500, "-2e2": -200, "3.0": 3,
	} {
		if got, ok := parseInt(text); !ok || got != want {
			t.Errorf("%s: got %d, %v, want %d", text, got, ok, want)
		}
	}
	for _, text := range []string{"", "a", "1.5", "1e300", "9223372036854775808", "nan", "inf", "-1e19", "0x10 "} {
		if got, ok := parseInt(text); ok {
			t.Errorf("%q: got %d", text, got)
		}
	}
}

// TestXMLBudget reads elements until there are too many of them; those passed
// over do not count.
func TestXMLBudget(t *testing.T) {
	many := strings.Repeat("<a/>", fewElements*2)
	if _, err := rootOf("<r>" + many + "</r>"); err == nil || !strings.Contains(err.Error(), "absurdly many") {
		t.Errorf("got %v", err)
	}
	var f File
	if err := f.describe([]byte("<e57Root><images2D>" + many + "</images2D></e57Root>")); err != nil {
		t.Errorf("got %v for elements that nobody reads", err)
	}
}
