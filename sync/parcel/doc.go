// Package parcel carries logs in files: on a stick, by mail, through a folder
// that two sides share. What is in a parcel is what package exchange says over
// a line, and it is taken in whole or not at all. Pictures do not travel in
// parcels of this version.
//
// # Parts
//
// A parcel is one file, NAME.parcel, or up to 999 parts, NAME.1of3.parcel and
// so on. The names are for people: which part of what a file is, it says
// itself. Numbers are big-endian.
//
//	magic     11  9b 70 61 72 63 65 6c 0d 0a 1a 0a
//	version    1  1
//	set       16  the parcel's name: the same in all of its parts
//	part       2  k, from 1
//	parts      2  n
//	seal       1  0 open, 1 sealed
//	size       8  of the content
//	content       if sealed, an age file (age-encryption.org/v1, binary), and
//	              what follows is what it holds
//	    length     4  of the manifest, at most 1 MiB
//	    manifest      the same in all parts, but for its time
//	    piece         piece k of the packed stream
//	closing   32  SHA-256 of all that comes before it
//
// So whoever carries a part can tell that it is whole, without a key. Magic,
// version and closing hash stay where they are in every version.
//
// # Stream
//
// The stream is frames of package exchange: log, batch …, log, batch …, end.
// Each log comes once, its pages in order. It is packed with zstd (RFC 8878),
// with a window of at most 8 MiB, and cut into pieces. Unpacked it has at most
// 1 GiB, a few million pages: who has more writes several parcels. What a
// later version puts after the end frame is passed over.
//
// # Manifest
//
// An array of two: the body, as bytes, and its Ed25519 signature with the
// writer's key over "pinchrod parcel v1" 00 and the body. The body is a map in
// deterministic CBOR (RFC 8949 section 4.2.1). Keys that a reader does not
// know are passed over.
//
//	1  version    uint   1
//	2  writer     bytes  identity of a device (journal)
//	3  time       int    milliseconds since 1970-01-01T00:00Z, by the writer's clock
//	4  pieces     array  [size, SHA-256] of each, in order
//	5  stream     uint   bytes of it, unpacked
//	6  logs       array  [device, base seq, base hash, last seq, pages in full] of
//	                     each, in the order of the stream
//	7  recipient  text   age recipient that the parts are sealed to; left out when open
//	8  for        bytes  device that a hub answers; else left out
//	9  answer     bytes  with 8: what the hub says to it
//
// The base is the head that a log's first page comes after, so that the chain
// can be verified from the parcel alone. A log without pages, base seq and last
// seq the same, is not in the stream, and says where it stands.
//
// The parcel's name is the first 16 bytes of SHA-256 over "pinchrod parcel set
// v1" 00 and the encoding of [writer, pieces, logs, recipient, for, answer], each
// as in the body, empty where it is left out.
//
// # Answer
//
// A hub's answer is what it would have said over a line to an offer of the
// base and the batches of the device's parcel, or to an offer of head 0 and no
// batches: frames of package exchange, ack … and state, or a refusal. With a
// state come the logs that the device may read, from page 1 on, and of its own
// log what lies past its parcel; or all from the parcel's base on, if that has
// pages as their hashes which the hub has in full.
//
// # Reading
//
// A reader checks, in this order: that each file is as long as it says, and
// that all parts of one parcel are there; of each part closing hash, seal,
// manifest, signature, and the piece's hash; then of the stream its size, each
// log's chain and signatures from base to last seq, that the writer and the
// device are accepted, and that the log joins what is held without
// contradicting it. Only then it takes anything in. Sizes are checked before
// more than that is read or unpacked.
//
// # Versions
//
// A parcel of version 1 is readable for ever. A hub of this version carries
// pages of later versions of the journal untouched, as it does over a line.
//
// # Example
//
// The page of package journal's example, written by its device, with its key,
// at the page's own time. First the frames of the stream, then the one part.
//
//	log       02795877840150017f22e279b07cc398 c4dc0c0c07398f5820d75a980182b10a
//	          b7d54bfed3c964073a0ee172f3daa623 25af021a68f707511a5840b37b489bb6
//	          f75352db9f279f388cd9bac850f864c2 830e8890c185741c375107f856010e28
//	          acd98583dcdd5ad208043e07bbc27f60 ccac11c96400f620a8480e
//	batch     03a401a4010102815837870150017f22 e279b07cc398c4dc0c0c07398f011b00
//	          00017f22e279b039012b50919108f752 d143209bacf847db4148a845a1011904
//	          e604582044a41179e4717938866d9e1d fba0dd6c3f34bfc08e1029759d8d6c0f
//	          f9f9c7240558407fe8e7719cf29052ac 54c28d083255ae4957f36410087022d0
//	          5ce8d7f134832e26ef1cf2e9d28c9754 0ff2476b684b10935c2b1e9c4846382f
//	          118594db32a703
//	end       0401a0
//	cover     9b70617263656c0d0a1a0a01
//	          72171ad8d2d38ae24f25b773d268a770
//	          0001000100000000000000025c
//	length    00000131
//	manifest  8258eca60101025877840150017f22e2 79b07cc398c4dc0c0c07398f5820d75a
//	          980182b10ab7d54bfed3c964073a0ee1 72f3daa62325af021a68f707511a5840
//	          b37b489bb6f75352db9f279f388cd9ba c850f864c2830e8890c185741c375107
//	          f856010e28acd98583dcdd5ad208043e 07bbc27f60ccac11c96400f620a8480e
//	          031b0000017f22e279b0048182190127 582047681b811a0f9cf282c59a1a2abb
//	          f261b011645f9ab4cc3c66606de0a89a 8f330519012506818550017f22e279b0
//	          7cc398c4dc0c0c07398f00582095a620 38bfff352090188859a7819583c30d9a
//	          7bb92f0c90dec0f402f8415448010158 40eb0e2e51d33e60217581dea2bf62e8
//	          4fa591e38ad6e345583409e343227c9c 2a738c8dfd82f27196e395aaa412cfe7
//	          815c193c378a268ac2ef9e85eff16685 00
//	piece     28b52ffd44002500c50800d410027958 77840150017f22e279b07cc398c4dc0c
//	          0c07398f5820d75a980182b10ab7d54b fed3c964073a0ee172f3daa62325af02
//	          1a68f707511a5840b37b489bb6f75352 db9f279f388cd9bac850f864c2830e88
//	          90c185741c375107f856010e28acd985 83dcdd5ad208043e07bbc27f60ccac11
//	          c96400f620a8480e03a401a401010281 583787011b000039012b50919108f752
//	          d143209bacf847db4148a845a1011904 e604582044a41179e4717938866d9e1d
//	          fba0dd6c3f34bfc08e1029759d8d6c0f f9f9c7240558407fe8e7719cf29052ac
//	          54c28d083255ae4957f36410087022d0 5ce8d7f134832e26ef1cf2e9d28c9754
//	          0ff2476b684b10935c2b1e9c4846382f 118594db32a7030401a0020037033110
//	          bc27056aa2f3d5
//	closing   fed498e13e65372bed5fae96d5af9030 9bd0c30bab865c9bddc0355317983e21
package parcel
