package exchange_test

import (
	"context"
	"io"
	"testing"

	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

// hosting starts a host in memory, and dials it with what connects to it.
func hosting(connect func(host *exchange.Host, device *synctest.Book, who func() exchange.Reader) exchange.Peer) func(*testing.T, *synctest.Book) synctest.Dial {
	return func(_ *testing.T, hub *synctest.Book) synctest.Dial {
		host := &exchange.Host{Book: hub, Signer: hub.Signer(), Now: hub.Now}
		rights := map[string]exchange.Reader{}
		return func(device *synctest.Book, r exchange.Reader) exchange.Peer {
			name := r.Identity.Device.String()
			rights[name] = r
			return connect(host, device, func() exchange.Reader { return rights[name] })
		}
	}
}

func TestDirect(t *testing.T) {
	t.Parallel()
	synctest.Suite(t, hosting(func(host *exchange.Host, _ *synctest.Book, who func() exchange.Reader) exchange.Peer {
		return synctest.Direct(host, who)
	}))
}

func TestOverLine(t *testing.T) {
	t.Parallel()
	synctest.Suite(t, hosting(func(host *exchange.Host, device *synctest.Book, who func() exchange.Reader) exchange.Peer {
		return exchange.Over(&synctest.Line{Host: host, Who: who}, device.Identity(), host.Book.Identity())
	}))
}

// pipe is a line on which both sides talk at once, as over HTTP.
type pipe struct {
	host *exchange.Host
	who  func() exchange.Reader
}

func (p pipe) Round(ctx context.Context, verb string, send func(io.Writer) error) (io.ReadCloser, error) {
	in, request := io.Pipe()
	answer, out := io.Pipe()
	go func() { request.CloseWithError(send(request)) }()
	go func() {
		err := exchange.Serve(ctx, p.host, p.who(), verb, in, out, nil)
		in.CloseWithError(io.ErrClosedPipe)
		_ = err // it is in the answer
		out.Close()
	}()
	return answer, nil
}

func TestOverPipe(t *testing.T) {
	t.Parallel()
	synctest.Suite(t, hosting(func(host *exchange.Host, device *synctest.Book, who func() exchange.Reader) exchange.Peer {
		return exchange.Over(pipe{host, who}, device.Identity(), host.Book.Identity())
	}))
}
