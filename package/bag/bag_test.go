package bag

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// shared is where the conformance suite lies beside a checkout.
const shared = "../../../shared/data/bagit"

func memory(path, text string) File {
	return File{Path: path, Open: func() (io.ReadCloser, error) { return readCloser{strings.NewReader(text)}, nil }}
}

type readCloser struct{ *strings.Reader }

func (readCloser) Close() error { return nil }

func pack(t *testing.T, format string, files []File, info ...Label) string {
	t.Helper()
	var b bytes.Buffer
	if _, err := Write(&b, format, "JOB-r001", files, info); err != nil {
		t.Fatal(err)
	}
	p := filepath.Join(t.TempDir(), "JOB-r001."+format)
	if err := os.WriteFile(p, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return p
}

func sample() []File {
	return []File{memory("mesh/object.ply", "ply\n"), memory("log/session.jsonl", "{}\n"), memory("READ-ME-FIRST.txt", "Grüße\n")}
}

func verify(t *testing.T, file string) Verdict {
	t.Helper()
	v, err := Verify(file, nil)
	if err != nil {
		t.Fatalf("Verify(%s): %v", file, err)
	}
	return v
}

func TestRoundTrip(t *testing.T) {
	for _, format := range []string{"zip", "tar.zst"} {
		kept := map[string]string{}
		v, err := Verify(pack(t, format, sample(), Label{"Source-Organization", "an orchard"}), func(p string, c []byte) { kept[p] = string(c) })
		if err != nil || !v.Valid {
			t.Fatalf("%s: %v, faults %v", format, err, v.Faults)
		}
		if v.Name != "JOB-r001" || v.Files != 3 || v.Bytes != 15 || v.Version != "1.0" {
			t.Errorf("%s: got name %s, %d files, %d bytes, version %s", format, v.Name, v.Files, v.Bytes, v.Version)
		}
		if kept["data/mesh/object.ply"] != "ply\n" {
			t.Errorf("%s: content not handed over: %q", format, kept)
		}
	}
}

func TestSameFilesSameBytes(t *testing.T) {
	for _, format := range []string{"zip", "tar.zst"} {
		a, err := os.ReadFile(pack(t, format, sample()))
		if err != nil {
			t.Fatal(err)
		}
		s := sample()
		s[0], s[2] = s[2], s[0]
		b, err := os.ReadFile(pack(t, format, s))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Errorf("%s: the order in which files are given changes the archive", format)
		}
	}
}

// The golden bag of CV-9.1 (computed there after RFC 8493): names with a percent
// sign, LF and CR are escaped, and the checksums are those of FIPS 180-4.
func TestGoldenManifest(t *testing.T) {
	var b bytes.Buffer
	files := []File{memory("mesh.txt", "mesh\n"), memory("100%\nodd\r.txt", "odd\n")}
	if _, err := Write(&b, "tar.zst", "bag", files, []Label{{"Bagging-Date", "2026-01-02"}}); err != nil {
		t.Fatal(err)
	}
	p := filepath.Join(t.TempDir(), "bag.tar.zst")
	if err := os.WriteFile(p, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	got := tagsOf(t, p)
	want := map[string]string{
		"bagit.txt":    "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
		"bag-info.txt": "Bagging-Date: 2026-01-02\nPayload-Oxum: 9.2\n",
		"manifest-sha512.txt": "86b933761b7d4e185b9640448a90ae39a4b0db1ee70423f66e2047e9ca2e4c22d62ec808a965d8b136986a71f1c28e070c0b991426b6ba28abb075e5e2a948e7  data/100%25%0Aodd%0D.txt\n" +
			"8e56d357be8eff79a9bf3780a61f3c8243c8ee4ea47b614bba0e1fdfc367b1a85e44e095416c881d27d6556263801b3a4fa7811f6cde2bdbc2884f9bfb5c33bb  data/mesh.txt\n",
	}
	for name, text := range want {
		if string(got[name]) != text {
			t.Errorf("%s:\ngot  %q\nwant %q", name, got[name], text)
		}
	}
	const tagsum = "e451d12d191407a8be8d6f3bdba8ad620147d0f51b8bafe7ec2b0a9b188f32f51113f9cabea48b75901ac53f199cb79991f2bc09ddd4159303e1d19983889735"
	if s := sha512Hex(got["tagmanifest-sha512.txt"]); s != tagsum {
		t.Errorf("tagmanifest-sha512.txt has SHA-512 %s, want %s", s, tagsum)
	}
}

func sha512Hex(b []byte) string {
	h := newHash("sha512")
	h.Write(b)
	return hexOf(h.Sum(nil))
}

func hexOf(b []byte) string {
	const digits = "0123456789abcdef"
	var s strings.Builder
	for _, x := range b {
		s.WriteByte(digits[x>>4])
		s.WriteByte(digits[x&15])
	}
	return s.String()
}

func tagsOf(t *testing.T, file string) map[string][]byte {
	t.Helper()
	tr, done, err := openTree(file)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := done(); err != nil {
			t.Error(err)
		}
	}()
	c := &checker{tags: map[string][]byte{}}
	if err := tr.walk(c.readTag); err != nil {
		t.Fatal(err)
	}
	return c.tags
}

func TestWriteRefusesBadPaths(t *testing.T) {
	for _, files := range [][]File{
		{memory("../x", "")}, {memory("/x", "")}, {memory("a//b", "")}, {memory(`a\b`, "")},
		{memory("Scan1.ply", ""), memory("scan1.PLY", "")},
		{memory("Gro\u0308\u00dfe", ""), memory("Gr\u00f6\u00dfe", "")},
	} {
		if _, err := Write(io.Discard, "zip", "x", files, nil); err == nil {
			t.Errorf("wrote %q", files[0].Path)
		}
	}
}

func TestWriteRefusesGrowingFile(t *testing.T) {
	f := File{Path: "x", Open: func() (io.ReadCloser, error) { return growing{readCloser{strings.NewReader("12345")}}, nil }}
	if _, err := Write(io.Discard, "zip", "x", []File{f}, nil); err == nil {
		t.Error("packed a file that changed its size while it was read")
	}
}

type growing struct{ readCloser }

func (growing) Len() int { return 3 }

// unpacked writes a bag as a folder and lets damage change it.
func unpacked(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "JOB-r001")
	tr, done, err := openTree(pack(t, "zip", sample()))
	if err != nil {
		t.Fatal(err)
	}
	err = tr.walk(func(e entry) error {
		content, err := readAll(e, 1<<20)
		if err != nil {
			return err
		}
		p := filepath.Join(dir, filepath.FromSlash(e.path))
		return errors.Join(os.MkdirAll(filepath.Dir(p), 0o755), os.WriteFile(p, content, 0o644))
	})
	if err := errors.Join(err, done()); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestDamageIsNamed(t *testing.T) {
	change := func(name string, f func(b []byte) []byte) func(dir string) error {
		return func(dir string) error {
			p := filepath.Join(dir, filepath.FromSlash(name))
			b, err := os.ReadFile(p)
			if err != nil {
				return err
			}
			return os.WriteFile(p, f(b), 0o644)
		}
	}
	flip := func(b []byte) []byte { b[0] ^= 1; return b }
	cases := []struct {
		name   string
		damage func(dir string) error
		path   string // that a fault must name
	}{
		{"flipped byte", change("data/mesh/object.ply", flip), "data/mesh/object.ply"},
		{"cut to nothing", change("data/log/session.jsonl", func([]byte) []byte { return nil }), "data/log/session.jsonl"},
		{"grown", change("data/READ-ME-FIRST.txt", func(b []byte) []byte { return append(b, ' ') }), "data/READ-ME-FIRST.txt"},
		{"removed", func(d string) error { return os.Remove(filepath.Join(d, "data/mesh/object.ply")) }, "data/mesh/object.ply"},
		{"surplus", func(d string) error { return os.WriteFile(filepath.Join(d, "data/x"), nil, 0o644) }, "data/x"},
		{"renamed", func(d string) error { return os.Rename(filepath.Join(d, "data/log"), filepath.Join(d, "data/l")) }, "data/l/session.jsonl"},
		{"tag altered", change("bag-info.txt", flip), "bag-info.txt"},
		{"no declaration", func(d string) error { return os.Remove(filepath.Join(d, "bagit.txt")) }, "bagit.txt"},
		{"line doubled", change("manifest-sha512.txt", func(b []byte) []byte { return append(b, b...) }), "data/mesh/object.ply"},
		{"line missing", change("manifest-sha512.txt", func(b []byte) []byte { return b[bytes.IndexByte(b, '\n')+1:] }), "data/READ-ME-FIRST.txt"},
		{"path climbs", change("manifest-sha512.txt", func(b []byte) []byte { return append(b, bytes.ReplaceAll(b, []byte("data/"), []byte("../"))...) }), "../mesh/object.ply"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			dir := unpacked(t)
			if v := verify(t, dir); !v.Valid {
				t.Fatalf("not valid before the damage: %v", v.Faults)
			}
			if err := c.damage(dir); err != nil {
				t.Fatal(err)
			}
			v := verify(t, dir)
			if v.Valid {
				t.Fatal("still valid")
			}
			for _, f := range v.Faults {
				if f.Path == c.path {
					return
				}
			}
			t.Errorf("no fault names %s: %v", c.path, v.Faults)
		})
	}
}

func TestTwoFaultsAreBothListed(t *testing.T) {
	dir := unpacked(t)
	for _, n := range []string{"data/mesh/object.ply", "data/log/session.jsonl"} {
		if err := os.WriteFile(filepath.Join(dir, n), []byte("changed"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	named := map[string]bool{}
	for _, f := range verify(t, dir).Faults {
		named[f.Path] = true
	}
	if !named["data/mesh/object.ply"] || !named["data/log/session.jsonl"] {
		t.Errorf("not both faults are listed: %v", named)
	}
}

// TestPackedByteFlips flips bytes all over an archive: whatever the unpacker
// makes of it, the verdict is never valid unless every file came out the same.
func TestPackedByteFlips(t *testing.T) {
	for _, format := range []string{"zip", "tar.zst"} {
		p := pack(t, format, sample())
		whole, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		good := verify(t, p)
		for at := 0; at < len(whole); at += 7 {
			bad := bytes.Clone(whole)
			bad[at] ^= 0x10
			if err := os.WriteFile(p, bad, 0o644); err != nil {
				t.Fatal(err)
			}
			v, err := Verify(p, nil)
			if err != nil || !v.Valid {
				continue
			}
			for name, sum := range good.Payload { // a bag without its tag manifest is still one, so only the payload counts
				if strings.HasPrefix(name, "data/") && v.Payload[name] != sum {
					t.Errorf("%s: byte %d flipped: valid, but %s differs", format, at, name)
				}
			}
		}
	}
}

// The verdicts of the BagIt conformance suite (Library of Congress, CC0) and of
// two libraries' test bags (MIT), as listed in expected.json beside them.
func TestConformanceSuite(t *testing.T) {
	list, err := os.ReadFile(filepath.Join(shared, "expected.json"))
	if err != nil {
		t.Skipf("the conformance suite is not here: %v", err)
	}
	var expected struct {
		Bags []struct{ Bag, Expect string }
	}
	if err := json.Unmarshal(list, &expected); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for _, a := range []string{"bagit-conformance.tar.gz", "bags-of-other-libraries.tar.gz"} {
		untar(t, filepath.Join(shared, a), dir)
	}
	for _, b := range expected.Bags {
		if strings.Contains(b.Expect, "on Windows") && runtime.GOOS != "windows" {
			continue
		}
		v, err := Verify(filepath.Join(dir, b.Bag), nil)
		if err != nil {
			t.Errorf("%s: %v", b.Bag, err)
			continue
		}
		wantValid := strings.HasPrefix(b.Expect, "valid")
		if v.Valid != wantValid {
			t.Errorf("%s: valid %v, the suite says %s; faults %v", b.Bag, v.Valid, b.Expect, v.Faults)
		}
		if strings.Contains(b.Expect, "warning") && len(v.Warnings) == 0 {
			t.Errorf("%s: passed without the warning that the suite expects", b.Bag)
		}
	}
}

func untar(t *testing.T, file, dir string) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Skipf("the conformance suite is not here: %v", err)
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	r := tar.NewReader(z)
	for {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if h.Typeflag != tar.TypeReg {
			continue
		}
		p := filepath.Join(dir, filepath.FromSlash(h.Name))
		content, err := io.ReadAll(r)
		if err := errors.Join(err, os.MkdirAll(filepath.Dir(p), 0o755), os.WriteFile(p, content, 0o644)); err != nil {
			t.Fatal(err)
		}
	}
}

func FuzzVerify(f *testing.F) {
	for _, format := range []string{"zip", "tar.zst"} {
		var b bytes.Buffer
		if _, err := Write(&b, format, "x", sample(), nil); err != nil {
			f.Fatal(err)
		}
		f.Add(b.Bytes())
	}
	f.Fuzz(func(t *testing.T, content []byte) {
		p := filepath.Join(t.TempDir(), "x")
		if err := os.WriteFile(p, content, 0o644); err != nil {
			t.Fatal(err)
		}
		if v, err := Verify(p, nil); err == nil && v.Valid && len(v.Payload) == 0 && v.Files > 0 {
			t.Error("valid, but no payload file was compared")
		}
	})
}

// CV-9.3: the example messages of FIPS 180-4.
func TestHashVectors(t *testing.T) {
	for _, c := range []struct{ algorithm, message, want string }{
		{"sha256", "abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
		{"sha256", "", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
		{"sha256", strings.Repeat("a", 1_000_000), "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"},
		{"sha512", "abc", "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"},
		{"sha512", "", "cf83e1357eefb8bdf1542850d66d8007d620e4050b5715dc83f4a921d36ce9ce47d0d13c5d85f2b0ff8318d2877eec2f63b931bd47417a81a538327af927da3e"},
		{"sha512", strings.Repeat("a", 1_000_000), "e718483d0ce769644e2e42c7bc15b4638e1f98b13b2044285632a803afa973ebde0ff244877ea60a4cb0432ce577c31beb009c5c2c49aa2e4eadb217ad8cc09b"},
	} {
		h := newHash(c.algorithm)
		h.Write([]byte(c.message))
		if got := hexOf(h.Sum(nil)); got != c.want {
			t.Errorf("%s of %d letters: got %s, want %s", c.algorithm, len(c.message), got, c.want)
		}
	}
}
