// Package exchange brings the logs of two sides together: a device and a hub,
// over a line or by a parcel. It does no input or output of its own, and holds
// no clock. This comment specifies what travels.
//
// # What is exchanged
//
// A device gives a hub the pages of its own log, and gets from it those of
// other devices that it may read. Pages, hashes and signed heads are package
// journal's, and travel as they are. A page that the reader may not have
// travels as its hash, so that the chain is verified all the same. Whoever
// receives a page verifies it before it is kept; to receive it twice is
// success; two logs under one device's name are a fork, refused, and kept as
// evidence.
//
// # Frames
//
// What travels is a stream of frames:
//
//	kind    1
//	length  of the body, as an unsigned LEB128, at most 17 MiB
//	body    deterministic CBOR (RFC 8949 section 4.2.1), mostly a map. Keys that
//	        a reader does not know are passed over; keys left out are zero.
//
//	1 offer    {1: version 1, 2: base seq, 3: base hash, 4: mark seen}
//	2 log      an identity, as bytes
//	3 batch    {1: first seq, 2: [page …], 3: hashes, 4: hash, 5: signature}
//	4 end      {}
//	5 ack      {1: seq, 2: hash}
//	6 state    {1: receipt, 2: mark, 3: all, 4: [job …], 5: [standing …],
//	            6: [forgotten job …]}
//	7 wants    {1: version 1, 2: [[device, from seq] …]}
//	8 refusal  {1: code, 2: text, 3: {1: seq, 2: hash}}
//
//	receipt  = [1, device, seq, hash, time, signature]
//	standing = [device, seq, hash, pages shown in full]
//
// In a batch an empty page stands for one that is withheld, whose hash is the
// next of hashes; hash and signature are those of the signed head that the last
// page ends at. A batch belongs to the log announced last. In a meeting that is
// the calling device's from the start, which whoever carries the frames has
// authenticated.
//
// # Meeting
//
//	device   offer, batch …, end
//	hub      ack …, state; or refusal at any moment
//
// The offer names the head up to which the device believes its log to be at the
// hub, by the last receipt; the batches go on from it, so that nothing is asked
// first. Each batch is on the hub's disk before its ack. A hub that holds less
// than the base says refusal 1 with the head that it has, and the device goes on
// from there. A hub that holds more takes known pages again, as a success.
//
// The state closes the meeting. Its receipt signs, with the hub's Ed25519 key,
// "pinchrod receipt v1" 00 and the encoding of the receipt's first five
// elements: up to this head the device's log is on the hub's disk. Time counts
// milliseconds since 1970-01-01T00:00Z. The mark stands for all that the hub has
// to show to this device but its own log (see below); when it is the mark that
// was offered, the rest of the state is left out: there is nothing new, and one
// round trip has said so.
//
// # Fetching
//
//	device   wants
//	hub      log, batch …, log, batch …, end; or refusal
//
// From a state the device knows of which logs it holds too little, or holds
// hashes where it may now have pages. Jobs named as forgotten are erased first.
// When all is taken in the device notes the mark, and offers it next time.
//
// # Mark
//
// The first 16 bytes of SHA-256 over "pinchrod state v1" 00 and: 1 if the reader
// may read all jobs, else 0; the number of its jobs, and each; the number of
// logs, and for each device, seq, hash, pages in full; the number of forgotten
// jobs, and each. Numbers have 8 bytes, big-endian; lists ascend.
//
// # Refusals
//
//	1 gap            6 not canonical
//	2 fork           7 invalid
//	3 broken chain   8 not this device's own log
//	4 signature      9 no such log for this device
//	5 not signed    10 newer version
//	               11 not what the protocol asks for
//
// Any other code is a refusal for a reason of the hub's own.
//
// # Versions
//
// What is kept, passed on and signed is bytes as received, whatever version of
// journal wrote them: a hub carries a newer device's pages untouched, and shows
// those whose job it cannot read to nobody but their own device and those who
// read all. An offer or a list of wants with another version than 1 is refused
// as newer.
package exchange
