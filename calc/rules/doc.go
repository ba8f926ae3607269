// Package rules judges a measured quantity against a limit when both the
// quantity and the answer are uncertain (JCGM 106:2012), and holds the limits:
// rule profiles, one CSV file each under profiles, and [Parse] for a file of the
// user's own.
//
// # What a figure carries
//
// Every [Limit] names its document, clause and edition, and says how it was seen.
// READ is read in a copy of the document or in a secondary source that quotes it,
// MEM is from memory; the clause's number has a mark of its own, since a figure
// can be read where its number is not. What was read for an older edition is from
// memory for the newer. A clause or an edition that nobody noted is "not noted".
// Few were read in the official text itself, so a profile is a help: the local
// code, and the person licensed to apply it, decide.
//
// # Ends
//
// Both ends of a limit belong to what is allowed: a pitch of 42° meets "at most
// 42°", and a gap just as wide as the ball touches it on both sides and keeps it
// out. Ends are in the units the rules are written in, mm, degrees, mm per m or a
// count, and not in radians, so that the limit stays the number that was printed.
//
// # Which stair is which
//
// Stairs are private (of one dwelling), common (shared by dwellings), public (of
// any other building), or utility (for escape or upkeep, not a daily way). The
// documents divide them otherwise:
//
//	england    private stair: private. General access stair: common, public.
//	           Utility stair: utility.
//	us         IRC, which is on dwellings: private. Federal accessibility:
//	           public. Nothing on common stairs.
//	ontario    The national model code's private stair: private. Other than in
//	           dwellings, and guards of Part 3: common, public.
//	germany    Buildings of at most two dwellings: private. Others: common, public.
//	australia  Housing Provisions: private. What they share with D3D14: any.
//
// # What is left out
//
// Tapered steps, as the tool measures straight flights. England's rule that all
// steps of a flight be the same, because it has no tolerance to hold a reading
// to. Warranty standards, state amendments and rules for one trade's housing,
// which no profile named after a country should apply to everyone.
package rules
