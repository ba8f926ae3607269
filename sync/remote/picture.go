package remote

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// Pictures asks which of the pictures the hub has, that this device may read.
func (c *Client) Pictures(ctx context.Context, sums [][32]byte) (map[[32]byte]bool, error) {
	have := map[[32]byte]bool{}
	for len(sums) > 0 {
		part := sums[:min(len(sums), door.MaxPictures)]
		sums = sums[len(part):]
		var q door.PicturesRequest
		for _, s := range part {
			q.Sums = append(q.Sums, s)
		}
		b, err := journal.Marshal(q)
		if err != nil {
			return nil, err
		}
		if b, err = ask(ctx, c.http, door.Pictures, b, 64*door.MaxPictures); err != nil {
			return nil, fmt.Errorf("asking for pictures: %w", err)
		}
		var a door.PicturesAnswer
		if err := journal.Unmarshal(b, &a); err != nil && !errors.Is(err, journal.ErrNewer) {
			return nil, fmt.Errorf("asking for pictures: %w: %w", exchange.ErrProtocol, err)
		}
		for _, s := range a.Whole {
			have[s] = true
		}
	}
	return have, nil
}

func picturePath(sum [32]byte) string { return door.Picture + hex.EncodeToString(sum[:]) }

// SendPicture sends a picture of a job, from where it broke off the last time.
// It is on the hub's disk when it returns nil.
func (c *Client) SendPicture(ctx context.Context, job journal.ID, sum [32]byte, size int64, picture io.ReaderAt) error {
	if err := c.sendPicture(ctx, job, sum, size, picture); err != nil {
		return fmt.Errorf("sending picture %x: %w", sum[:6], err)
	}
	return nil
}

// maxTurns is how often the hub may say that it is elsewhere in a picture than
// was thought: once is when another device has begun anew.
const maxTurns = 4

func (c *Client) sendPicture(ctx context.Context, job journal.ID, sum [32]byte, size int64, picture io.ReaderAt) error {
	w, err := c.picture(ctx, http.MethodHead, picturePath(sum), nil, "")
	if err != nil {
		return err
	}
	w.Body.Close()
	from, err := uploadOffset(w, size)
	if err != nil {
		return err
	}
	if w.StatusCode == http.StatusOK { // it is there; what is left is to say that it is this job's too
		from = 0
	}
	for range maxTurns {
		q := url.Values{"job": {job.String()}, "size": {strconv.FormatInt(size, 10)}, "from": {strconv.FormatInt(from, 10)}}
		w, err := c.picture(ctx, http.MethodPut, picturePath(sum)+"?"+q.Encode(), io.NewSectionReader(picture, from, size-from), "")
		if err != nil {
			return err
		}
		w.Body.Close()
		if w.StatusCode == http.StatusNoContent {
			return nil
		}
		if from, err = uploadOffset(w, size); err != nil {
			return err
		}
	}
	return fmt.Errorf("%w: it does not get further with the picture", ErrBusy)
}

// uploadOffset reads how much of a picture the hub has.
func uploadOffset(w *http.Response, size int64) (int64, error) {
	s := w.Header.Get(door.UploadOffset)
	if s == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n < 0 || n > size {
		return 0, fmt.Errorf("%w: %s %q of %d bytes", exchange.ErrProtocol, door.UploadOffset, s, size)
	}
	return n, nil
}

// FetchPicture opens a picture at the hub, from an offset on, and returns its
// whole size too. What comes is to be proved by its sum. [ErrNotFound] when it
// is not there, or not for this device.
func (c *Client) FetchPicture(ctx context.Context, sum [32]byte, from int64) (picture io.ReadCloser, size int64, err error) {
	fail := func(err error) (io.ReadCloser, int64, error) {
		return nil, 0, fmt.Errorf("fetching picture %x: %w", sum[:6], err)
	}
	span := ""
	if from > 0 {
		span = "bytes=" + strconv.FormatInt(from, 10) + "-"
	}
	w, err := c.picture(ctx, http.MethodGet, picturePath(sum), nil, span)
	if err != nil {
		return fail(err)
	}
	size = w.ContentLength
	if span != "" {
		// "bytes from-to/size", RFC 9110 section 14.4.
		head, total, _ := strings.Cut(w.Header.Get("Content-Range"), "/")
		size, err = strconv.ParseInt(total, 10, 64)
		if w.StatusCode != http.StatusPartialContent || err != nil || !strings.HasPrefix(head, "bytes "+strconv.FormatInt(from, 10)+"-") {
			w.Body.Close()
			return fail(fmt.Errorf("%w: not the part that was asked for", exchange.ErrProtocol))
		}
	}
	if size < 0 {
		w.Body.Close()
		return fail(fmt.Errorf("%w: a picture of no size", exchange.ErrProtocol))
	}
	return lineReader{w.Body}, size, nil
}

// lineReader says of an error on the line what it comes to.
type lineReader struct{ io.ReadCloser }

func (r lineReader) Read(p []byte) (int, error) {
	n, err := r.ReadCloser.Read(p)
	return n, lineError(err)
}

// picture sends a request about a picture. What is not an answer to it is an
// error.
func (c *Client) picture(ctx context.Context, method, path string, body io.Reader, span string) (*http.Response, error) {
	r, err := newRequest(ctx, method, path, body)
	if err != nil {
		return nil, err
	}
	if span != "" {
		r.Header.Set("Range", span)
	}
	w, err := c.http.RoundTrip(r)
	if err != nil {
		return nil, lineError(err)
	}
	switch w.StatusCode {
	case http.StatusOK, http.StatusAccepted, http.StatusNoContent, http.StatusPartialContent, http.StatusConflict:
		return w, nil
	}
	return nil, statusError(w)
}
