package hub

import "time"

// Limits bound what anybody can make a hub do. The aim: whatever strangers do,
// and whatever a few devices do that are enrolled and hostile, the hub stays
// under 150 MiB and serves the others. The sum of the memory is at the end.
type Limits struct {
	// Pending connections have not finished their handshake. An honest one is
	// pending for milliseconds on a local line and two round trips on a long
	// one; when there are too many, the oldest goes. 256 cost some 5 MiB.
	Pending int
	// PendingPerAddress is how many of those one address can have (of IPv6, one
	// /64), so that a flood from one place pushes out its own only. A workshop
	// behind one address syncs a dozen devices at once.
	PendingPerAddress int
	// Handshake is how long a connection can be pending. Two round trips take
	// 1.5 s over a poor mobile line.
	Handshake time.Duration

	// Strangers are connections whose key is not enrolled. They come to join, or
	// by mistake; when there are too many, the oldest from the newcomer's address
	// goes, or the oldest of all.
	Strangers int
	// StrangerLife is how long such a connection can last: joining is one
	// request, and a person is not waited for.
	StrangerLife time.Duration

	// PerDevice is how many connections a device can have. It needs one; one
	// that was cut off leaves dead ones behind, so the oldest goes.
	PerDevice int
	// Connections is how many devices' connections there can be. A workshop has
	// some dozens of devices.
	Connections int
	// Idle is how long a connection can go without a request.
	Idle time.Duration

	// Rate is how many requests a second a device can make in the long run, and
	// Burst how many at once. A sync is one or two; a hundred pictures are three
	// hundred in a row.
	Rate  float64
	Burst int

	// Streams is how many meetings and fetches run at once, and Queue how long
	// one more waits for its turn. The book has one writer, so more of them are
	// not faster; but one over a slow line must not hold up the others.
	Streams int
	Queue   time.Duration
	// StreamsPerDevice: a device needs one at a time, and a second while the
	// hub has not noticed that the first one's line is gone.
	StreamsPerDevice int
	// Frames is how many frames of more than 64 KiB can be in memory. The
	// largest honest frame but for a huge page is about half a MiB, and a stream
	// has up to four: one coming in, two waiting, one being written.
	Frames int
	// LargeFrame is the size from which a frame counts as large: one is let in
	// at a time, because a page of 16 MiB takes five times that on its way into
	// the book.
	LargeFrame int
	// Request is how many bytes a meeting can bring, decompressed. What has come
	// until then is kept, and the next meeting goes on from there. Two million
	// readings have some 260 MB.
	Request int64
	// Within each Window that a body keeps the hub waiting, at least Progress
	// bytes have to come. A mobile line that changes cells can stall for ten
	// seconds; the slowest one that a sync makes sense on (GPRS, some 2 kB/s)
	// brings ten times as much. Also how long a line is silent before it is
	// asked whether it is there.
	Window   time.Duration
	Progress int64

	// Header is the size of a request's headers. Ours have under 300 bytes.
	Header int
	// HTTP2Streams is how many requests a connection can have open: a sync and
	// pictures beside it.
	HTTP2Streams int
	// Receive is the flow control window of a connection, which is what its
	// sender can make us hold unread; 256 KiB are 5 MB/s at a round trip of 50 ms.
	Receive int

	// Picture is the size of a picture: a telephone's has some 5 MB, one of 50
	// megapixels 25. Transfers is how many are on their way in or out at once,
	// because whoever keeps them may have to hold one whole to prove it, and
	// TransfersPerDevice how many of those one device can have.
	Picture            int64
	Transfers          int
	TransfersPerDevice int

	// Stop is how long a stop waits for what is running.
	Stop time.Duration
	// Quiet is how long the log is silent on one kind of refusal after it told of
	// one; then it says how many there were.
	Quiet time.Duration
}

// DefaultLimits are those of a workshop. Memory, by the limits above:
//
//	 15 MiB  the program, and the book's pages that it touches
//	  5 MiB  pending: 256 of 20 kB (goroutine, TLS buffers)
//	  4 MiB  strangers: 32 of 110 kB (TLS, HTTP/2), plus their windows, unread
//	 30 MiB  devices: 32 hostile connections full to their window, 200 honest ones
//	 24 MiB  streams: 16 zstd windows of 1 MiB and their buffers
//	 25 MiB  24 frames of half a MiB, twice for decoding
//	~80 MiB  or instead one large frame on its way through
//
// which the garbage collector has to be told of: the program that serves sets
// its memory limit (runtime/debug.SetMemoryLimit) to [MemoryLimit].
func DefaultLimits() Limits {
	return Limits{
		Pending:            256,
		PendingPerAddress:  128,
		Handshake:          5 * time.Second,
		Strangers:          32,
		StrangerLife:       10 * time.Second,
		PerDevice:          4,
		Connections:        256,
		Idle:               2 * time.Minute,
		Rate:               10,
		Burst:              300,
		Streams:            16,
		Queue:              5 * time.Second,
		StreamsPerDevice:   2,
		Frames:             24,
		LargeFrame:         1 << 20,
		Request:            512 << 20,
		Window:             20 * time.Second,
		Progress:           2 << 10,
		Header:             4 << 10,
		HTTP2Streams:       8,
		Receive:            256 << 10,
		Picture:            32 << 20,
		Transfers:          4,
		TransfersPerDevice: 2,
		Stop:               10 * time.Second,
		Quiet:              10 * time.Second,
	}
}

// MemoryLimit is what to hand to runtime/debug.SetMemoryLimit in a hub that has
// to stay under 150 MiB: what the runtime does not count, the program's text
// and the mapped pages of the book, comes on top.
const MemoryLimit = 120 << 20
