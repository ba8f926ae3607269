// Package cutting makes the sheet a workshop cuts a bay from: for spindles,
// base fillets and rail fillets the settings of the saw, for the site labels
// and a fitting card. A [Sheet] is made of findings and nothing else: it reads
// no clock and no file.
//
// # The saw's dial
//
// Bevels are degrees from a square cut, as a mitre saw's scale reads, to a
// tenth; in brackets stands what a bevel gauge shows, 90° less that. A bevel says
// which side of the piece has the long point at that end, so it has no sign.
// A spindle has a foot, on the base rail, and a head; a fillet has a downhill and
// an uphill end. A stop holds the long point of the foot or of the downhill end,
// and its setting is measured from there along that point's own side to the cut of
// the other end. Tip to tip is the length overall, from long point to long point.
//
// # Rounding
//
// A spindle's stop is rounded to the nearest saw-step, 0.5 mm or 1/32 in unless the
// house sets it, and P(all fit) is worked out with the stops as printed. Stops that
// are then alike are one. Bevels are set to 0.1°: half of that opens 41 mm·tan 0.05°
// = 0.04 mm, far below a joint that is seen, and the stops are worked out from the
// bevels as dialled.
//
// Fillets are glued one after the other, so a stop's error comes into the last space
// n times. They are cut to what is needed, rounded up: the last space becomes
// narrower by n·0.1 mm at most, and never wider. In inches the step is 0.005 in, as
// a caliper shows it: 1/64 in would narrow that space by up to 8 mm at 20 spindles.
// What is trimmed on site is rounded up to whole mm or to 1/16 in.
//
// # The code
//
// A sheet carries six characters by which a later book tells whether it still
// holds: [Sheet.Stale]. They are the first 30 bits of SHA-256 over the lines of
// what the cuts hang on, in the alphabet
//
//	23456789ABCDEFGHJKLMNPQRSTUVWXYZ
//
// which has no 0, 1, I or O: the version of the calculation, the bay, the
// readings used (what, where, value and u, sorted), the settings, and the cuts as
// printed. Notes, times, who read, and readings that do not count, struck ones and
// those set aside as suspect, leave it as it is. So does what was cut: the card
// names the pieces of an earlier code that still fit.
//
// # Labels
//
// The QR code (ISO/IEC 18004, level M) on a label holds, in UTF-8,
//
//	pinchrod:TAG/FLIGHT/BAY/PIECE/CODE
//
// such as pinchrod:7KQ2MX/F1/left/S07/AB3DEF. TAG stands for the job, six
// characters of the same alphabet from SHA-256 of its ID, so that a label in a
// van names no address; FLIGHT/BAY is the bay as in the book; PIECE is S, B or R
// for spindle, base fillet or rail fillet and its number from the lower post,
// two digits or more, with SX, BX or RX for a spare; CODE is the sheet's.
// [ParseLabel] reads it back.
//
// # Text from elsewhere
//
// Names of jobs, places and settings may come from another device. On a page and in
// a CSV control characters become spaces, and no cell is a formula: [Cell].
package cutting
