// Package store keeps a device's log, and copies of other devices' logs, in one
// file. It is the only package that knows bbolt; what a page or a head is made
// of is package journal's.
//
// # What it promises
//
// Append returns when the pages, the signed head and the projection are on disk,
// all in one step. Nothing in a log is changed afterwards; [Store.Forget] can
// take a page's content away, and leaves its hash. [Create] and [Open]
// are apart: a missing or empty file is never a new book. A file that is
// damaged is never written: Open refuses it, [Recover] reads it and makes a
// new one. A file of format 1 is readable, and recoverable, for ever.
//
// bbolt neither notices a changed byte nor survives every one: it can panic,
// fault or go round in a circle. So Open checks the structure of the file on
// its bytes, and the end of every log by hash and signature; every read checks
// the page it returns against its hash; [Store.Verify] checks all there is;
// and panics and faults end here, as [ErrDamaged]; the store then lets go of the
// file for good.
//
// # Buckets
//
//	meta        setting                  M frame: format, device, seed,
//	                                     projector, layout, rewrite
//	device      device[16]               D frame
//	page        device[16] seq[8]        P, W, L or G frame; seq 0: D frame
//	head        device[16] seq[8]        C frame; seq 0: D frame
//	fork        device[16] seq[8] head[32]  F frame: evidence, see Ingest
//	projection  the projector's          no frame; made again from the log
//	margin      name                     N frame: this file's own, in no log
//	tally       device[16] job[16]       T frame; made again from the log
//	forgotten   job[16]                  J frame
//
// Numbers are big-endian. Every signed head is kept with what it signs, so a
// log verifies commit by commit. The last three buckets came later: a file that
// has no layout among its settings lacks them, until it is opened to write.
//
// # Frames
//
// Every value but the projection's is framed, to be found in a file whose
// structure is gone. bbolt keeps a value in one piece.
//
//	magic   4  9b 70 72 64
//	kind    1
//	length  4  of the body
//	sum     4  CRC-32C (Castagnoli) of kind, length and body
//	body
//
// By kind, the body is:
//
//	M  a setting's value: format "1"; device, 16 bytes; seed, the 32 bytes of
//	   the Ed25519 secret; projector, its version in 4, absent while the
//	   projection is behind the log; layout "2"; rewrite, empty, there while
//	   the file has to be written anew to be rid of forgotten pages
//	D  an identity (journal)
//	P  device[16] seq[8] page hash[32] page
//	W  device[16] seq[8] page hash[32]: the page was withheld, or is forgotten
//	L  device[16] seq[8] page hash[32]: the page was lost before a recovery
//	G  device[16] first[8] last[8]: these pages were lost with their hashes
//	C  signed head n, head m[32], page hashes m+1 to n [32 each], m < n
//	F  as C: what a device signed that contradicts its log here; m is n when
//	   it was a head alone, and then head m is the one that the log has here
//	N  length of name[2] name, and the note
//	T  device[16] job[16], and how many pages of it are here whole[8]
//	J  job[16]: it is forgotten
//
// A commit holds the page hashes again so that it proves its pages alone:
// head m and the hashes lead to head n, and the signature answers for head n
// (so for head m too). If pages are lost, the pages beside them still verify;
// if a commit is lost, the hashes kept with its pages lead on to the next
// signed head.
package store
