package remote

import (
	"bytes"
	"errors"
	"io"
	"testing"
	"testing/iotest"

	"github.com/klauspost/compress/zstd"
	"pgregory.net/rapid"
)

// What is sent is what is read, in whatever pieces, and packed when there is
// more than a little.
func TestSender(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := rapid.SliceOfN(rapid.SliceOfN(rapid.Byte(), 0, 400), 0, 8).Draw(t, "parts")
		want := bytes.Join(parts, nil)
		up := newUpload()
		s := newSender(up)
		go func() {
			var err error
			for _, p := range parts {
				if _, err = s.Write(p); err != nil {
					break
				}
			}
			s.end(err)
		}()
		<-s.decided
		packed := s.packer != nil
		if packed != (len(want) > plainMost) {
			t.Fatalf("%d bytes: packed %v", len(want), packed)
		}
		var r io.Reader = iotest.OneByteReader(up)
		if packed {
			d, err := zstd.NewReader(r, zstd.WithDecoderConcurrency(1))
			if err != nil {
				t.Fatal(err)
			}
			defer d.Close()
			r = d
		}
		got, err := io.ReadAll(r)
		if err != nil || !bytes.Equal(got, want) {
			t.Fatalf("read %d bytes, %v, want %d", len(got), err, len(want))
		}
	})
}

// The end of a small request comes with its last bytes.
func TestUploadEndsAtOnce(t *testing.T) {
	up := newUpload()
	s := newSender(up)
	if _, err := s.Write([]byte("an offer")); err != nil {
		t.Fatal(err)
	}
	s.end(nil)
	p := make([]byte, 100)
	if n, err := up.Read(p); n != 8 || err != io.EOF {
		t.Errorf("read %d bytes, %v, want 8, %v", n, err, io.EOF)
	}
}

// Neither side waits for one that has gone.
func TestUploadBothLeave(t *testing.T) {
	up := newUpload()
	wrote := make(chan error, 1)
	go func() {
		_, err := up.Write(make([]byte, 2*uploadBuffer))
		wrote <- err
	}()
	if _, err := io.ReadFull(up, make([]byte, 10)); err != nil {
		t.Fatal(err)
	}
	up.Close()
	if err := <-wrote; !errors.Is(err, errAnswered) {
		t.Errorf("writing: got %v, want %v", err, errAnswered)
	}
	if _, err := up.Read(make([]byte, 1)); !errors.Is(err, errAnswered) {
		t.Errorf("reading: got %v, want %v", err, errAnswered)
	}
	trouble := errors.New("the book is damaged")
	up = newUpload()
	read := make(chan error, 1)
	go func() {
		_, err := io.ReadAll(up)
		read <- err
	}()
	up.end(trouble)
	if err := <-read; !errors.Is(err, trouble) {
		t.Errorf("reading: got %v, want %v", err, trouble)
	}
}
