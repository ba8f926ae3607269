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
//	length  of the body, as an unsigned LEB128, at most 17 MiB; of a frame that
//	        opens a request (offer, wants) at most 64 KiB
//	body    deterministic CBOR (RFC 8949 section 4.2.1), mostly a map. Keys that
//	        a reader does not know are passed over. A key with a ? below is
//	        left out when what it has is zero, false or empty.
//
//	1 offer    {1: version 1, 2?: base seq, 3: base hash, 4?: mark seen}
//	2 log      an identity, as bytes
//	3 batch    {1: first seq, 2: [page …], 3?: hashes, 4: hash, 5: signature}
//	4 end      {}
//	5 ack      {1: seq}
//	6 state    {1: receipt, 2: mark, 3?: all, 4?: [job …], 5?: [standing …],
//	            6?: [forgotten job …], 7?: own pages in full}
//	7 wants    {1: version 1, 2: [[device, from seq] …]}
//	8 refusal  {1: code, 2?: text, 3?: {1: seq, 2: hash}}
//
//	receipt  = [1, device, seq, hash, time, signature]
//	standing = [device, seq, hash, pages shown in full]
//
// In a batch an empty page stands for one that is withheld, whose hash is the
// next of hashes. There is at least one page; hash and signature are those of
// the signed head that the last one ends at. A sender closes a batch at the last
// signed head before 2048 pages or 512 KiB are passed; one signed step that is
// larger goes by itself, and a book refuses to sign one that no frame can hold. A batch belongs to the log announced last. In a meeting
// that is the calling device's from the start, which whoever carries the frames
// has authenticated.
//
// # Meeting
//
//	device   offer, batch …, end
//	hub      ack …, state; or refusal at any moment
//
// The offer names the head up to which the device believes its log to be at the
// hub, by the last receipt; the batches go on from it, so that nothing is asked
// first. Each batch is on the hub's disk before its ack, which names the seq that
// it ended at. A hub that holds more takes known pages again, as a success.
//
// A hub whose copy of the log does not lead through the base says refusal 1,
// with the head from which the device goes on: the one that it has, if the base
// lies beyond that, as after a backup was restored; head 0, if it has another
// head in the base's place, or does not know which, or if the pages do not join
// what it holds. So the whole log comes, and if there are two of them the first
// page that differs proves it.
//
// The state closes the meeting. Its receipt signs, with the hub's Ed25519 key,
// "pinchrod receipt v1" 00 and the encoding of the receipt's first five
// elements: up to this head the device's log is on the hub's disk. Time counts
// milliseconds since 1970-01-01T00:00Z. The mark stands for all that the hub has
// to show to this device but its own log (see below); when it is the mark that
// was offered, the keys 3 to 6 are left out: there is nothing new, and one
// round trip has said so.
//
// Own pages in full counts those of the device's log that the hub does not hold
// as hashes only. When the device has more of them, up to the head of the
// receipt and after it has erased what is forgotten, the hub has lost some: the
// device meets it again, and gives its log from the first page.
//
// A device whose log ends before the receipt's head is an older copy of itself.
// It fetches its own pages before it writes any more. So it does when it has
// fewer of them in full than the hub, as a parcel may bring their hashes, from
// the first that is withheld after the head of its last receipt.
//
// # Fetching
//
//	device   wants
//	hub      log, batch …, log, batch …, end; or refusal
//
// From a state the device knows of which logs it holds too little, or holds
// hashes where it may now have pages, or holds another head than the hub. Jobs
// named as forgotten are erased first. Each log comes from the page that was
// asked for, up to where the hub has it without a gap. When what comes does not
// join what is held, the device asks for that log from its first page, once,
// and finds where they part.
//
// The device checks that the mark is that of the state it came with. When every
// log has come up to the head that the state shows, it notes the mark, and
// offers it next time.
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
//	               12 the book of whoever refuses is damaged
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
//
// # Example
//
// A device with one page, that of the example in package journal, meets a hub
// with two of its own: of the job 919108f7-52d1-4320-9bac-f847db4148a8, that
// the device may read, and of another. The hub's id is that of the device but
// for its last byte; its key is that of RFC 8032 section 7.1, test 2; its clock
// says 2022-02-22T19:22:22Z. Spaces and line breaks are for the eye.
//
//	device secret:
//		9d61b19deffd5a60ba844af492ec2cc4 4449c5697b326919703bac031cae7f60
//	hub secret:
//		4ccd089b28ff96da9db6c346ec114e0f 5b8a319f35aba624da8cf6ed4fb8a6fb
//
// The device offers from head 0, and the hub takes its page and shows its own
// log:
//
//	offer:	01 26 a2 01 01
//		03 5820 95a62038bfff352090188859a7819583 c30d9a7bb92f0c90dec0f402f8415448
//	batch:	03 a401 a4 01 01
//		02 81 58 37 8701 50 017f22e279b07cc398c4dc0c0c07398f 01
//		   1b 0000017f22e279b0 39 012b
//		   50 919108f752d143209bacf847db4148a8 45 a1011904e6
//		04 5820 44a41179e4717938866d9e1dfba0dd6c 3f34bfc08e1029759d8d6c0ff9f9c724
//		05 5840 7fe8e7719cf29052ac54c28d083255ae 4957f36410087022d05ce8d7f134832e
//		        26ef1cf2e9d28c97540ff2476b684b10 935c2b1e9c4846382f118594db32a703
//	end:	04 01 a0
//
//	ack:	05 03 a1 01 01
//	state:	06 e201 a5
//		01 86 01 50 017f22e279b07cc398c4dc0c0c07398f 01
//		   5820 44a41179e4717938866d9e1dfba0dd6c 3f34bfc08e1029759d8d6c0ff9f9c724
//		   1b 0000017f22e279b0
//		   5840 b0fe8b78c041fd19baf88d3b9ae07c8e eddfa534b67c388df8f654012cfb1882
//		        fd3c85d3e804908193431e864909afe9 f8b90e0a74c539c4abfec31735487c02
//		02 50 a4108fee4430524eec0c407aa7abc431
//		04 81 50 919108f752d143209bacf847db4148a8
//		05 81 84 50 017f22e279b07cc398c4dc0c0c073990 02
//		   5820 1e297af429f8691935d3575f0a2e8d18 99ea7c983c973f2a240b254d45a3dd5f 01
//		07 01
//
// It asks for that log, and gets one of its pages and the other's hash:
//
//	wants:	07 18 a2 01 01 02 81 82 50 017f22e279b07cc398c4dc0c0c073990 01
//
//	log:	02 79 5877 84 01 50 017f22e279b07cc398c4dc0c0c073990
//		   5820 3d4017c3e843895a92b70aa74d1b7ebc 9c982ccf2ec4968cc0cd55f12af4660c
//		   5840 aae1e24fb517b54c9fa0c9234c7d82ea 9a68735928f5efc3bbb66269427e3d0d
//		        1524d5effaee4b8b1e1614a9a9eac5bf 010143cd18e918f32003845e776b9400
//	withheld:	03 c401 a5 01 01
//		02 82 58 33 8701 50 017f22e279b07cc398c4dc0c0c073990 01
//		   1b 0000017f22e279b0 39 012b
//		   50 919108f752d143209bacf847db4148a8 41 a0
//		   40
//		03 5820 fd2868a12047c3071c68f9c9304a5588 309cca0babc61ba0c7b50abdb7b3a1ee
//		04 5820 1e297af429f8691935d3575f0a2e8d18 99ea7c983c973f2a240b254d45a3dd5f
//		05 5840 c35682c223c5b5c6831f5314b70535cc 1dbc4ac6f97a3bb540b1e07cac05fef9
//		        6042b0f5110562ae98e9a66d4512262e 486a044210e4df01813b701c10c7d80d
//
// after which comes end. When it meets the hub again it offers head 1 and the
// mark, and end at once, and there is nothing new:
//
//	second offer:	01 3a a4 01 01 02 01
//		03 5820 44a41179e4717938866d9e1dfba0dd6c 3f34bfc08e1029759d8d6c0ff9f9c724
//		04 50 a4108fee4430524eec0c407aa7abc431
//
//	nothing new:	06 9701 a3
//		01 86 01 50 017f22e279b07cc398c4dc0c0c07398f 01
//		   5820 44a41179e4717938866d9e1dfba0dd6c 3f34bfc08e1029759d8d6c0ff9f9c724
//		   1b 0000017f22e279b0
//		   5840 b0fe8b78c041fd19baf88d3b9ae07c8e eddfa534b67c388df8f654012cfb1882
//		        fd3c85d3e804908193431e864909afe9 f8b90e0a74c539c4abfec31735487c02
//		02 50 a4108fee4430524eec0c407aa7abc431
//		07 01
//
// To the same offer, a hub that has lost the device's log says that it holds
// head 0:
//
//	refusal:	08 46 a3 01 01
//		02 78 19 6561726c696572207061676573 20617265206d697373696e67
//		03 a2 01 00 02 5820 95a62038bfff352090188859a7819583 c30d9a7bb92f0c90dec0f402f8415448
package exchange
