package journal

import (
	"bytes"
	"crypto/ed25519"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// vectors reads a file of published values: fields on lines, # for comments.
func vectors(t *testing.T, name string) [][]string {
	t.Helper()
	b, err := os.ReadFile("../../testdata/vectors/" + name)
	if err != nil {
		t.Fatal(err)
	}
	var out [][]string
	for line := range strings.Lines(string(b)) {
		if f := strings.Fields(line); len(f) > 0 && f[0] != "#" {
			out = append(out, f)
		}
	}
	if len(out) == 0 {
		t.Fatalf("%s: no vectors", name)
	}
	return out
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestRFC8032(t *testing.T) {
	for i, f := range vectors(t, "rfc8032.txt") {
		msg := []byte{}
		if f[2] != "-" {
			msg = unhex(t, f[2])
		}
		key := ed25519.NewKeyFromSeed(unhex(t, f[0]))
		if got, want := key.Public().(ed25519.PublicKey), unhex(t, f[1]); !bytes.Equal(got, want) {
			t.Errorf("test %d: public key %x, want %x", i+1, got, want)
		}
		if got, want := ed25519.Sign(key, msg), unhex(t, f[3]); !bytes.Equal(got, want) {
			t.Errorf("test %d: signature %x, want %x", i+1, got, want)
		}
	}
}

func TestRFC9562(t *testing.T) {
	v := map[string]string{}
	for _, f := range vectors(t, "rfc9562.txt") {
		v[f[0]] = f[1]
	}
	ms, err := strconv.ParseInt(v["unix_ts_ms"], 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	when := time.Date(2022, 2, 22, 19, 22, 22, 0, time.UTC) // as appendix A.6 prints it
	if when.UnixMilli() != ms {
		t.Errorf("unix_ts_ms = %d, want %d", ms, when.UnixMilli())
	}
	// The random bits go in with the version's and variant's places set
	// wrongly, to see that NewID sets them.
	random := append(unhex(t, "f"+v["rand_a"]), unhex(t, v["rand_b"])...)
	random[2] |= 0x40
	id, err := NewID(when, bytes.NewReader(random))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := id.String(), v["uuidv7"]; got != want {
		t.Errorf("NewID = %s, want %s", got, want)
	}
	if got := strconv.Itoa(int(id[6] >> 4)); got != v["ver"] {
		t.Errorf("version %s, want %s", got, v["ver"])
	}
	if got := strconv.Itoa(int(id[8] >> 6)); got != v["var"] {
		t.Errorf("variant %s, want %s", got, v["var"])
	}
	if got := binary.BigEndian.Uint64(id[8:]) &^ (3 << 62); got != binary.BigEndian.Uint64(unhex(t, v["rand_b"])) {
		t.Errorf("rand_b %x, want %s", got, v["rand_b"])
	}
	for _, name := range []string{"uuidv7", "uuidv4"} {
		if id, err := ParseID(v[name]); err != nil || id.String() != v[name] {
			t.Errorf("ParseID(%s) = %v, %v", v[name], id, err)
		}
	}
}

func TestRFC8949(t *testing.T) {
	seen := map[string]int{}
	for _, f := range vectors(t, "rfc8949.txt") {
		want, data := f[0], unhex(t, f[1])
		seen[want]++
		canonical := Canonical(data)
		var v any
		decoded := Unmarshal(data, &v)
		switch want {
		case "accept":
			if canonical != nil || decoded != nil {
				t.Errorf("%v: Canonical %v, Unmarshal %v; want both accepted", f, canonical, decoded)
				continue
			}
			if again, err := Marshal(v); err != nil || !bytes.Equal(again, data) {
				t.Errorf("%v: written back as %x, %v", f, again, err)
			}
		case "tagged":
			if canonical != nil || decoded == nil {
				t.Errorf("%v: Canonical %v, Unmarshal %v; want accepted, refused", f, canonical, decoded)
			}
		case "reject":
			if !errors.Is(canonical, ErrNotCanonical) || !errors.Is(decoded, ErrNotCanonical) {
				t.Errorf("%v: Canonical %v, Unmarshal %v; want ErrNotCanonical", f, canonical, decoded)
			}
		default:
			t.Errorf("%v: unknown expectation", f)
		}
	}
	if seen["accept"] < 50 || seen["tagged"] < 5 || seen["reject"] < 50 {
		t.Errorf("vectors read: %v", seen)
	}
}

// TestExample reads the worked example out of the package comment and makes
// every byte of it again.
func TestExample(t *testing.T) {
	src, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	_, text, ok := strings.Cut(string(src), "// # Example\n")
	if !ok {
		t.Fatal("no example in doc.go")
	}
	// A label starts after one tab; what belongs to it is hex, on that line
	// and those below it.
	example := map[string][]byte{}
	label := ""
	for line := range strings.Lines(text) {
		rest, ok := strings.CutPrefix(line, "//\t")
		if !ok {
			continue
		}
		if m := regexp.MustCompile(`^(secret|public|page hash 1|page 1|head 0|head 1|signed head 1|identity)\b`).FindString(rest); m != "" {
			label, rest = m, rest[len(m):]
		}
		example[label] = append(example[label], unhex(t, strings.Join(strings.Fields(rest), ""))...)
	}

	key := ed25519.NewKeyFromSeed(example["secret"])
	public := key.Public().(ed25519.PublicKey)
	device, job := mustID(t, "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"), mustID(t, "919108f7-52d1-4320-9bac-f847db4148a8")
	payload, err := Marshal(map[int]int{1: 1254})
	if err != nil {
		t.Fatal(err)
	}
	zone := time.FixedZone("", -5*60*60)
	page, err := Page{device, 1, time.Date(2022, 2, 22, 14, 22, 22, 0, zone), job, payload}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	head0 := Genesis(device, public)
	head1 := Next(head0, PageHash(page))
	signed, err := Sign(Head{device, 1, head1}, key)
	if err != nil {
		t.Fatal(err)
	}
	signedBytes, err := signed.Encode()
	if err != nil {
		t.Fatal(err)
	}
	identity, err := NewIdentity(device, key)
	if err != nil {
		t.Fatal(err)
	}
	identityBytes, err := identity.Encode()
	if err != nil {
		t.Fatal(err)
	}
	hash := PageHash(page)
	for label, got := range map[string][]byte{
		"public": public, "page 1": page, "page hash 1": hash[:], "head 0": head0[:], "head 1": head1[:],
		"signed head 1": signedBytes, "identity": identityBytes,
	} {
		if want := example[label]; !bytes.Equal(got, want) {
			t.Errorf("%s:\n got %x\nwant %x", label, got, want)
		}
	}

	// And read back what the comment prints.
	chain := NewChain(identity.Head().Head)
	if err := chain.Add(NewRecord(1, example["page 1"])); err != nil {
		t.Fatal(err)
	}
	h, err := DecodeSignedHead(example["signed head 1"])
	if err != nil {
		t.Fatal(err)
	}
	if err := chain.Close(h, example["public"]); err != nil {
		t.Error(err)
	}
	i, err := DecodeIdentity(example["identity"])
	if err != nil {
		t.Fatal(err)
	}
	if err := i.Verify(); err != nil {
		t.Error(err)
	}
}

func mustID(t testing.TB, s string) ID {
	t.Helper()
	id, err := ParseID(s)
	if err != nil {
		t.Fatal(err)
	}
	return id
}
