package invite

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
	"rsc.io/qr"

	"pinchrod/sync/hub/door"
)

func example() Invitation {
	i := Invitation{
		Addresses: []string{"hub.workshop.example:7443", "[2001:db8::7]:7443"},
		Expires:   time.Date(2026, 3, 4, 5, 6, 0, 0, time.UTC),
	}
	for n := range i.Hub {
		i.Hub[n] = byte(n)
	}
	for n := range i.Secret {
		i.Secret[n] = byte(0xf0 + n)
	}
	return i
}

func encode(t *testing.T, i Invitation) string {
	t.Helper()
	s, err := i.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestParse(t *testing.T) {
	want := example()
	text := encode(t, want)
	lookalikes := prefix + strings.NewReplacer("O", "0", "I", "1", "B", "8").Replace(strings.TrimPrefix(text, prefix))
	for name, typed := range map[string]string{
		"as sent":      text,
		"lower case":   strings.ToLower(text),
		"grouped":      Grouped(text),
		"spaces":       " " + strings.ReplaceAll(Grouped(text), "-", "  ") + "\r\n",
		"wrapped line": text[:40] + "\n" + text[40:],
		"lookalikes":   lookalikes,
	} {
		t.Run(name, func(t *testing.T) {
			got, err := Parse(typed)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("(-want +got)\n%s", d)
			}
		})
	}
}

func TestParseRefuses(t *testing.T) {
	text := encode(t, example())
	for _, c := range []struct {
		name, text string
		want       error
	}{
		{"nothing", "", ErrSyntax},
		{"something else", "https://hub.example/", ErrSyntax},
		{"only the beginning", prefix, ErrSyntax},
		{"half of it", text[:len(text)/2], ErrSyntax},
		{"all but the end", text[:len(text)-3], ErrSlip},
		{"a little of it", text[:len(prefix)+10], ErrSyntax},
		{"a later version", name + "2" + text[len(prefix):], ErrNewer},
		{"a digit that base32 has not", text[:20] + "9" + text[21:], ErrSlip},
		{"a letter too many", text + "A", ErrSlip},
		{"not a letter", text[:20] + "Ä" + text[21:], ErrSlip},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := Parse(c.text); !errors.Is(err, c.want) {
				t.Errorf("got %v, want %v", err, c.want)
			}
		})
	}
}

// Every slip of one letter, and every swap of two that are next to each other,
// is told.
func TestSlips(t *testing.T) {
	text := encode(t, example())
	for i := len(prefix); i < len(text); i++ {
		for _, c := range "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567" {
			if byte(c) == text[i] {
				continue
			}
			if _, err := Parse(text[:i] + string(c) + text[i+1:]); !errors.Is(err, ErrSlip) {
				t.Fatalf("%c for %c at %d: got %v, want %v", c, text[i], i, err, ErrSlip)
			}
		}
		if i+1 < len(text) && text[i] != text[i+1] {
			if _, err := Parse(text[:i] + text[i+1:i+2] + text[i:i+1] + text[i+2:]); !errors.Is(err, ErrSlip) {
				t.Fatalf("a swap at %d: got %v, want %v", i, err, ErrSlip)
			}
		}
	}
}

func TestEncodeRefuses(t *testing.T) {
	for name, change := range map[string]func(*Invitation){
		"no address":       func(i *Invitation) { i.Addresses = nil },
		"nine addresses":   func(i *Invitation) { i.Addresses = strings.Fields(strings.Repeat("a:1 ", 9)) },
		"no port":          func(i *Invitation) { i.Addresses = []string{"hub"} },
		"port 0":           func(i *Invitation) { i.Addresses = []string{"hub:0"} },
		"port by name":     func(i *Invitation) { i.Addresses = []string{"hub:https"} },
		"no host":          func(i *Invitation) { i.Addresses = []string{":7443"} },
		"a blank":          func(i *Invitation) { i.Addresses = []string{"a b:1"} },
		"too long":         func(i *Invitation) { i.Addresses = []string{strings.Repeat("a", 254) + ":1"} },
		"before 1970":      func(i *Invitation) { i.Expires = time.Date(1969, 1, 1, 0, 0, 0, 0, time.UTC) },
		"no time":          func(i *Invitation) { i.Expires = time.Time{} },
		"too far to count": func(i *Invitation) { i.Expires = time.Date(11000, 1, 1, 0, 0, 0, 0, time.UTC) },
	} {
		t.Run(name, func(t *testing.T) {
			i := example()
			change(&i)
			if s, err := i.Encode(); err == nil {
				t.Errorf("got %s, want an error", s)
			}
		})
	}
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := Invitation{
			Addresses: rapid.SliceOfN(rapid.StringMatching(`[a-z0-9.]{1,20}:[1-9][0-9]{0,3}`), 1, maxAddresses).Draw(t, "addresses"),
			Hub:       door.Fingerprint(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "hub")),
			Secret:    [16]byte(rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "secret")),
			Expires:   time.Unix(60*int64(rapid.Uint32().Draw(t, "minutes")), 0).UTC(),
		}
		text, err := want.Encode()
		if err != nil {
			t.Fatal(err)
		}
		got, err := Parse(Grouped(text))
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("(-want +got)\n%s", d)
		}
	})
}

// What Parse takes is what Encode writes, but for how it was typed.
func FuzzParse(f *testing.F) {
	text, err := example().Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add(Grouped(text))
	f.Add(prefix)
	f.Add(prefix + letters.EncodeToString(make([]byte, fixedLen+checkLen)))
	f.Fuzz(func(t *testing.T, typed string) {
		i, err := Parse(typed)
		if err != nil {
			return
		}
		text, err := i.Encode()
		if err != nil {
			t.Fatalf("%q is taken, and not written again: %v", typed, err)
		}
		again, err := Parse(text)
		if d := cmp.Diff(i, again); err != nil || d != "" {
			t.Fatalf("%v (-want +got)\n%s", err, d)
		}
	})
}

// The drawings, read back module by module, are the code that the library
// made, with four light modules around it.
func TestQR(t *testing.T) {
	text := encode(t, example())
	want, err := qr.Encode(text, qr.L)
	if err != nil {
		t.Fatal(err)
	}
	code, err := QR(text)
	if err != nil {
		t.Fatal(err)
	}
	side := want.Size + 8
	if code.Side() != side {
		t.Fatalf("side: got %d, want %d", code.Side(), side)
	}
	compare := func(t *testing.T, ink func(x, y int) bool, lightInk bool) {
		t.Helper()
		for y := range side {
			for x := range side {
				if got := ink(x, y) != lightInk; got != want.Black(x-4, y-4) {
					t.Fatalf("module %d, %d: dark %v, want %v", x, y, got, !got)
				}
			}
		}
	}
	for _, lightInk := range []bool{false, true} {
		var blocks [][]rune
		for line := range strings.Lines(code.Blocks(lightInk)) {
			blocks = append(blocks, []rune(strings.TrimSuffix(line, "\n")))
			if n := len(blocks[len(blocks)-1]); n != side {
				t.Fatalf("a line of %d columns, want %d", n, side)
			}
		}
		if want := (side + 1) / 2; len(blocks) != want {
			t.Fatalf("%d lines, want %d", len(blocks), want)
		}
		compare(t, func(x, y int) bool {
			c := blocks[y/2][x]
			return c == '█' || c == [2]rune{'▀', '▄'}[y%2]
		}, lightInk)

		plain := strings.Split(strings.TrimSuffix(code.Plain(lightInk), "\n"), "\n")
		if len(plain) != side {
			t.Fatalf("%d plain lines, want %d", len(plain), side)
		}
		compare(t, func(x, y int) bool { return plain[y][2*x:2*x+2] == "##" }, lightInk)
	}
}

// One address fits a terminal of 80 by 24.
func TestQRFitsTerminal(t *testing.T) {
	i := example()
	i.Addresses = []string{"192.168.178.20:7443"}
	code, err := QR(encode(t, i))
	if err != nil {
		t.Fatal(err)
	}
	if got := code.Side(); got > 46 {
		t.Errorf("%d modules, want at most 46, which are 23 lines", got)
	}
}
