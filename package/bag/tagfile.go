package bag

import (
	"bytes"
	"fmt"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// manifest is a list of checksums, of payload files or of tag files.
type manifest struct {
	name, algorithm string
	tags            bool
	lines           []line
}

type line struct{ sum, path string }

var (
	versionLine  = regexp.MustCompile(`^BagIt-Version: (\d+\.\d+)$`)
	encodingLine = regexp.MustCompile(`^Tag-File-Character-Encoding: (\S+)$`)
	manifestName = regexp.MustCompile(`^(tag)?manifest-([a-z0-9]+)\.txt$`)
	manifestLine = regexp.MustCompile(`^([0-9A-Fa-f]+)[ \t]+(\*?)(.*)$`)
)

var sumBytes = map[string]int{"md5": 16, "sha1": 20, "sha224": 28, "sha256": 32, "sha384": 48, "sha512": 64}

// declaration checks bagit.txt (RFC 8493, section 2.1.1).
func (c *checker) declaration() {
	text, ok := c.tags["bagit.txt"]
	if !ok {
		c.fault("bagit.txt", "is missing: this is not a bag")
		return
	}
	if bytes.HasPrefix(text, []byte("\xef\xbb\xbf")) {
		c.fault("bagit.txt", "begins with a byte-order mark")
		return
	}
	lines := splitLines(string(text))
	if len(lines) != 2 {
		c.fault("bagit.txt", "has %d lines instead of two", len(lines))
		return
	}
	v, e := versionLine.FindStringSubmatch(lines[0]), encodingLine.FindStringSubmatch(lines[1])
	if v == nil || e == nil {
		c.fault("bagit.txt", "does not say BagIt-Version and Tag-File-Character-Encoding in this form")
		return
	}
	c.verdict.Version = v[1]
	if !slices.Contains([]string{"0.93", "0.94", "0.95", "0.96", "0.97", "1.0"}, v[1]) {
		c.fault("bagit.txt", "says version %s, which is not one of 0.93 to 0.97 and 1.0", v[1])
	}
	c.decode(e[1])
}

// decode brings the tag files to UTF-8.
func (c *checker) decode(encoding string) {
	for _, name := range slices.Sorted(maps.Keys(c.tags)) {
		switch {
		case name == "bagit.txt":
		case strings.EqualFold(encoding, "ISO-8859-1"):
			text, err := charmap.ISO8859_1.NewDecoder().Bytes(c.tags[name])
			if err != nil {
				c.fault(name, "is not in the encoding %s", encoding)
			}
			c.tags[name] = text
		case !strings.EqualFold(encoding, "UTF-8"):
			c.fault("bagit.txt", "says the encoding %s; this program reads UTF-8 and ISO-8859-1", encoding)
			return
		case !utf8.Valid(c.tags[name]):
			c.fault(name, "is not UTF-8")
		}
	}
}

// splitLines splits at LF, CR or CRLF and drops a last empty line.
func splitLines(s string) []string {
	s = strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n")
	s = strings.TrimSuffix(s, "\n")
	if s == "" {
		return nil
	}
	return strings.Split(s, "\n")
}

func (c *checker) readManifests() {
	payload := 0
	for _, name := range slices.Sorted(maps.Keys(c.tags)) {
		m := manifestName.FindStringSubmatch(name)
		if m == nil {
			continue
		}
		if sumBytes[m[2]] == 0 {
			c.fault(name, "uses the algorithm %s, which this program does not know", m[2])
			continue
		}
		if m[1] == "" {
			payload++
		}
		c.manifests = append(c.manifests, c.readManifest(name, m[2], m[1] != ""))
	}
	if payload == 0 {
		c.fault("", "there is no payload manifest")
	}
}

func (c *checker) readManifest(name, algorithm string, tags bool) manifest {
	m := manifest{name: name, algorithm: algorithm, tags: tags}
	seen := map[string]string{}
	for i, text := range splitLines(string(c.tags[name])) {
		p := manifestLine.FindStringSubmatch(text)
		if p == nil || len(p[1]) != 2*sumBytes[algorithm] || p[3] == "" {
			c.fault(name, "line %d is not a checksum and a path", i+1)
			continue
		}
		if p[2] != "" {
			c.warn(name, "line %d marks the path with an asterisk, which strict readers refuse", i+1)
		}
		l := line{sum: p[1], path: c.scoped(name, unescape(p[3]), tags)}
		if l.path == "" {
			continue
		}
		if other, twice := seen[l.path]; twice {
			c.twice(name, l, other)
			continue
		}
		seen[l.path] = l.sum
		m.lines = append(m.lines, l)
	}
	c.lookAlikes(m)
	return m
}

// scoped returns the path if it may stand in the manifest, else "" after naming
// the fault.
func (c *checker) scoped(name, p string, tags bool) string {
	if why := outOfScope(p); why != "" {
		c.fault(p, "in %s %s", name, why)
		return ""
	}
	if clean := path.Clean(p); clean != p {
		c.warn(p, "in %s is not in its shortest form", name)
		p = clean
	}
	inData := strings.HasPrefix(p, "data/")
	if !tags && !inData {
		c.fault(p, "in %s lies outside data/", name)
		return ""
	}
	if tags && (inData || strings.HasPrefix(p, "tagmanifest-")) {
		c.fault(p, "may not be listed in %s", name)
		return ""
	}
	if systemFile(p) {
		c.warn(p, "is a file that desktops leave behind")
	}
	return p
}

// twice judges a path that a manifest lists a second time.
func (c *checker) twice(name string, l line, other string) {
	if c.verdict.Version == "1.0" || !strings.EqualFold(l.sum, other) {
		c.fault(l.path, "stands twice in %s", name)
		return
	}
	c.warn(l.path, "stands twice in %s", name)
}

// lookAlikes warns of names that some file systems cannot tell apart.
func (c *checker) lookAlikes(m manifest) {
	folded := map[string]string{}
	for _, l := range m.lines {
		key := fold(l.path)
		if other, ok := folded[key]; ok {
			c.warn(l.path, "differs from %s only in case or Unicode normalisation", other)
		}
		folded[key] = l.path
	}
}

// readFetch reads fetch.txt: `url length path` a line.
func (c *checker) readFetch() {
	c.fetch = map[string]bool{}
	for i, text := range splitLines(string(c.tags["fetch.txt"])) {
		f := strings.Fields(text)
		if len(f) < 3 {
			c.fault("fetch.txt", "line %d is not a URL, a length and a path", i+1)
			continue
		}
		p := unescape(strings.Join(f[2:], " "))
		if why := outOfScope(p); why != "" {
			c.fault(p, "in fetch.txt %s", why)
			continue
		}
		c.fetch[path.Clean(p)] = true
	}
}

// info reads bag-info.txt and compares Payload-Oxum.
func (c *checker) info() {
	text, ok := c.tags["bag-info.txt"]
	if !ok {
		return
	}
	oxums := 0
	for i, l := range splitLines(string(text)) {
		switch label, value, found := strings.Cut(l, ":"); {
		case strings.TrimSpace(l) == "":
			c.warn("bag-info.txt", "line %d is blank", i+1)
		case l[0] == ' ' || l[0] == '\t':
			c.continued(l)
		case !found:
			c.fault("bag-info.txt", "line %d is not a label and a value", i+1)
		default:
			label = strings.TrimSpace(label)
			c.verdict.Info = append(c.verdict.Info, Label{label, strings.TrimSpace(value)})
			if strings.EqualFold(label, "Payload-Oxum") {
				oxums++
				c.oxum(strings.TrimSpace(value))
			}
		}
	}
	if oxums > 1 {
		c.fault("bag-info.txt", "says Payload-Oxum %d times", oxums)
	}
}

func (c *checker) continued(l string) {
	if n := len(c.verdict.Info); n > 0 {
		c.verdict.Info[n-1].Value += " " + strings.TrimSpace(l)
	}
}

func (c *checker) oxum(value string) {
	if want := fmt.Sprintf("%d.%d", c.verdict.Bytes, c.verdict.Files+c.absent); value != want {
		c.fault("bag-info.txt", "says Payload-Oxum %s, the payload is %s (bytes.files)", value, want)
	}
}
