// Package bench serves the book's findings as pages for the workshop: what was
// found of a stair, what each bay is cut from, what was cut, and what would
// follow from another tolerance.
//
// The pages are made at the server and work without script; the one script file
// makes sliders of the numbers to try, and sends their form when they rest. Nothing
// comes from another host, and the content security policy allows nothing else.
//
// A form that is sent twice is written down once: both times it leads to the entry,
// where the page of the bay says that it is written down. Of two forms that say the
// same the second is the first again when an entry came since its page was made.
//
// # Where things are
//
//	/                                          the jobs
//	/job/{id}                                  a stair at a glance
//	/job/{id}/{flight}/{bay}                   a bay; with joint, short, long, all-fit or target in the query, what if
//	/job/{id}/{flight}/{bay}/sheet             its cutting sheet, and the form for what was cut
//	/job/{id}/{flight}/{bay}/made              POST: what was cut at one setting
//	/job/{id}/{flight}/{bay}/recut             POST: a piece that was cut again on site
//	/job/{id}/{flight}/{bay}/NAME.TYPE         sheet, labels, drawing, errors or template as svg, pdf, png, csv, json or txt
//	/job/{id}/{flight}/plan.TYPE               the flight in plan
//	/job/{id}/made/{entry}/strike              POST: an entry no longer counts
//	/job/{id}/stock, /job/{id}/stock.TYPE      how the bars are sawn
//	/picture/{sum}                             a small picture
//	/bench.css, /bench.js, /bench.svg          style, script, icon
//	/regular.ttf, /bold.ttf                    the Go font
//
// print.css of a bay and its sheet, and stock.css, put code, place and job on each page
// that a browser prints; of a what-if, with its query, that it is not the book. A
// file of several pages takes ?page=2 as svg or png. Its ETag begins with the code
// of the sheet, and its dates are of the day, so that it stays the same for as long
// as the sheet holds. A bay's page takes ?noted= or ?struck= with the name of an
// entry that just was.
//
// # The pages' code
//
// One Go file and one template a page: the Go file makes a struct of words and
// figures, the template says where they stand. Text from a book is made safe to
// show with [lines.Clean] and escaped by html/template.
package bench
