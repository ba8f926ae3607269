// Package journal is the signed, append-only log of a device: its bytes, its
// hash chain and its signatures. It does no input or output, holds no clock,
// and does not look into payloads. This comment specifies the format; whoever
// follows it reads and verifies our logs.
//
// # Encoding
//
// Everything is CBOR in the core deterministic encoding (RFC 8949 section
// 4.2.1): the shortest form of every number, definite lengths, map keys in
// bytewise order of their encodings, NaN as f97e00; without tags. Bytes in any
// other form are refused, so one content has one encoding and one hash. What
// is hashed, signed, kept and passed on is always the bytes as received.
//
// # Page
//
// A page is one saved answer or import, an array of seven:
//
//	0  version   uint     1
//	1  device    bytes    16: the device's UUID (RFC 9562, made as version 7)
//	2  seq       uint     the page's place in the device's log, from 1
//	3  time      int      milliseconds since 1970-01-01T00:00Z, without leap
//	                      seconds, within the years 0 to 9999
//	4  zone      int      the local time's offset from UTC in minutes, at most 18 h
//	5  job       bytes    16: the job's UUID; empty for none
//	6  payload   bytes    at most 16 MiB, and nothing to this package
//
// # Hashes
//
// All are SHA-256 over an ASCII prefix with its zero byte, then the parts as
// they are, without lengths (each part but the last has a fixed size):
//
//	page hash = SHA-256("pinchrod page v1" 00, page bytes)
//	head 0    = SHA-256("pinchrod genesis v1" 00, device[16], public key[32])
//	head n    = SHA-256("pinchrod chain v1" 00, head n-1[32], page hash n[32])
//
// Head 0 binds the device to its key. Head n stands for pages 1 to n, and is
// computed from their hashes: a page can be withheld, and travel as its hash
// alone, and every other page still verifies. A page does not hold the hash of
// the page before it.
//
// # Signed head
//
// An array of five. The signature is Ed25519 (RFC 8032, pure) with the
// device's key over "pinchrod head v1" 00 and then the encoding of the first
// four elements as an array of four:
//
//	0  version    uint   1
//	1  device     bytes  16
//	2  seq        uint   n
//	3  hash       bytes  32: head n
//	4  signature  bytes  64
//
// A signed head vouches for every page up to n. Two signed heads of a device
// with one seq and two hashes, or that no one list of page hashes leads
// through, prove a fork: the device's key has signed two logs.
//
// # Identity
//
// An array of four introduces a device. The signature is that of its signed
// head 0, which a reader builds from device and key:
//
//	0  version    uint   1
//	1  device     bytes  16
//	2  key        bytes  32: Ed25519 public key
//	3  signature  bytes  64
//
// # Names
//
// A reading is named by device, page and number on the page (from 1; 0 is the
// page itself): 017f22e2-79b0-7cc3-98c4-dc0c0c07398f-142.1 in full. The short
// form puts a two-character tag for the device, described at [ID.Tag].
//
// # Versions
//
// A log written in version 1 is read and verified for ever, byte for byte as
// written. A later version can change what follows the first three elements
// of a page (version, device, seq keep their places and meaning), the payload,
// and nothing else: hashes, heads and identities stay as above, or get new
// prefixes. So a reader of version 1 verifies, keeps and passes on a later
// log, and says [ErrNewer] where it would have to read a page. A payload that
// is a CBOR map can gain keys; see [Unmarshal].
//
// # Example
//
// Spaces and line breaks are for the eye. The key is that of RFC 8032 section
// 7.1, test 1; device, time and zone are those of the UUID of RFC 9562
// appendix A.6; the job is the UUID of appendix A.3; the payload is the CBOR
// map {1: 1254}.
//
//	secret   9d61b19deffd5a60ba844af492ec2cc4 4449c5697b326919703bac031cae7f60
//	public   d75a980182b10ab7d54bfed3c964073a 0ee172f3daa62325af021a68f707511a
//
//	page 1   87 01 50 017f22e279b07cc398c4dc0c0c07398f 01
//	         1b 0000017f22e279b0 39 012b
//	         50 919108f752d143209bacf847db4148a8 45 a1011904e6
//
//	page hash 1
//	         7d1d8306bc51e2a95b2de3ef5de95831 7557c9ccd57479fe80109b6dbef43826
//	head 0   95a62038bfff352090188859a7819583 c30d9a7bb92f0c90dec0f402f8415448
//	head 1   44a41179e4717938866d9e1dfba0dd6c 3f34bfc08e1029759d8d6c0ff9f9c724
//
//	signed head 1
//	         85 01 50 017f22e279b07cc398c4dc0c0c07398f 01
//	         58 20 44a41179e4717938866d9e1dfba0dd6c 3f34bfc08e1029759d8d6c0ff9f9c724
//	         58 40 7fe8e7719cf29052ac54c28d083255ae 4957f36410087022d05ce8d7f134832e
//	               26ef1cf2e9d28c97540ff2476b684b10 935c2b1e9c4846382f118594db32a703
//
//	identity 84 01 50 017f22e279b07cc398c4dc0c0c07398f
//	         58 20 d75a980182b10ab7d54bfed3c964073a 0ee172f3daa62325af021a68f707511a
//	         58 40 b37b489bb6f75352db9f279f388cd9ba c850f864c2830e8890c185741c375107
//	               f856010e28acd98583dcdd5ad208043e 07bbc27f60ccac11c96400f620a8480e
package journal
