// Package cutting makes the sheet a workshop cuts a bay from: for spindles,
// base fillets and rail fillets the settings of the saw, for the site labels
// and a fitting card. A [Sheet] is made of findings and nothing else: it reads
// no clock and no file.
//
// # The saw's dial
//
// Bevels are degrees from a square cut, as a mitre saw's scale reads, to a
// tenth; where the dial counts from the edge it is 90° less that. A bevel says
// which side of the piece has the long point at that end, so it has no sign.
// The low end of a piece is the one towards the lower post: a spindle's foot on
// the base rail, a fillet's end down the stair. A stop holds the long point of
// the low end, and its setting is measured from there along that point's own
// side to the cut of the high end.
//
// # Rounding
//
// A stop is set with a rule and proved with a piece, to 0.1 mm (common
// practice, no source). At worst all stops are off by half a step, δ = 0.05 mm.
// Where P(all fit) is 0.95 about the middle of the window that costs
//
//	−Δlog P ≈ (c/2)·(δ/σ)²
//
// with σ that of one piece, and c = 0.24 when all pieces go wrong together, 0.59
// when forty do so each by itself (the second derivative of −n·log of the chance
// that one fits, by σ). In the house's window of 1.5 mm that is 0.2 % at σ =
// 0.38 mm, and 1.4 % at σ = 0.23 mm. As that can be more than a verdict has to
// spare, the chance is worked out with the stops as printed, and the step is made
// finer, down to 0.01 mm, until no more than 0.005 of it is lost and the house's
// own bound is kept. Bevels are set to 0.1°: half of that opens 41 mm·tan 0.05° =
// 0.04 mm, far below a joint that is seen, and the stops are worked out from the
// bevels as dialled. What is trimmed on site is cut to whole mm, and the blank's
// least length is rounded up to whole mm.
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
