// Package stockplan lays the pieces of a job's cutting sheets onto the bars in
// the shop: which bar is sawn into which pieces, in which order, what is bought,
// and what is left. The planning itself is calc/stock's, section by section; a
// [Plan] is made of sheets and bars and nothing else, and reads no clock and no
// file.
//
// What a sheet does not let one cut is not planned, and named with what to do
// about it: [Plan.Left]. So is what was cut before and does not fit any more.
//
// # Pieces
//
// To the planner a piece is a length on the centre line and two bevels, signed
// over the first and the second edge as the sheet gives them. The length is the
// mean of both edges as cut, which is the centre line's, since the ends are
// straight; a piece that is trimmed on site counts over-length, as it is cut. It
// is rounded up to 0.1 mm, the step of the stops, or to 1 mm where the piece is
// trimmed, whose stop is in whole mm. So pieces that print alike are alike to the
// planner, and a bowed bay whose pieces spread over 3 mm has thirty sorts at most.
// It is never short, and costs less than a step a piece: on a bar of 2400 mm with
// 25 fillets of 96 mm less than 2.5 mm, which is less than one kerf. The width
// across the bevel is a spindle's first side, a fillet's second.
//
// Sections are compared by their measure, either side first: "41x8" is
// 8 x 41 mm. Stock that one job uses lying on either face is of two sections.
//
// # The code
//
// A plan carries six characters, made as those of a cutting sheet are, by which a
// later book tells whether it still holds: [Stale]. They are of the pieces alone:
// of each setting its bay, the code of its sheet, the names of its pieces, its
// length and bevels. Neither the bars nor the saw are in them, so that a plan can
// be asked for without giving them again.
//
// Behind the code stands a mark of four characters, of the bars and the saw: kerf,
// trim, the shortest offcut, and each bar with its pieces. Two plans of the same
// pieces share the code and not the mark; pages of one laid among those of another
// would have a piece sawn twice.
//
// # Bars that are counted
//
// Where they do not hold all that is wanted, what they hold is planned and the rest
// is left out by name, with how many more bars would do. That many was found by a
// plan that draws as few of them as it could find; it is enough, and is not said to
// be the least.
//
// # Text from elsewhere
//
// Names of jobs, places, sections and bars may come from another device or a rack's
// file. On a page and in a CSV control characters become spaces, and no cell is a
// formula: [cutting.Cell].
//
// # JSON
//
// One object. Lengths are in mm, angles in degrees from a square cut, money as it
// was given; what is not there is null. Names are a contract: they are added to,
// and never changed.
//
//	job, code, entry, date   which plan, of which state of the book
//	complete                 all that the job needs is on it
//	already_cut              what the book says was cut and fits as far as it can
//	                         tell, and is not on it: bay, pieces
//	left_out                 else what is not: bay (null: of several), what, why, next
//	rules, caution           as on the page
//	sheets                   cut from: bay, code
//	kerf, trim, min_offcut   as it was planned with
//	sections                 of each: section, pieces; buy, a row a kind of bar:
//	                         length, count, price of one, rack (it is an offcut
//	                         there), label; cost; claim in words, proven, gap (bars
//	                         or money that another plan might save at most); length
//	                         of all its bars; waste, waste_percent of that length,
//	                         waste_bound (no plan of this cost wastes less); short,
//	                         the bars that are missing, a row a kind: length, count.
//	                         Where there are some nothing is proven, and gap and
//	                         waste_bound are 0
//	total                    pieces, spares among them, buy and rack in bars, cost
//	                         (of the sections that have prices), length, waste,
//	                         waste_percent, keep: section, length, count
//	bars                     in the order to saw: bar (its number), section, length,
//	                         price, rack, label, cuts, rest, keep (the rest when it
//	                         is kept), waste
//	cuts                     from the first end: bay, kind, piece, setting, stop,
//	                         stop_side, bevel_low and bevel_high, long_point_low and
//	                         long_point_high (null at a square end), from and to on
//	                         the bar's centre line, spare, cut_to_fit
//	bars_code                the plan's mark; null without a bar
package stockplan
