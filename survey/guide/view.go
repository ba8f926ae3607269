package guide

import (
	"strings"

	"pinchrod/survey"
)

// view is what a person sees of one kind of reading. How it is taken is common
// practice, no source. Lines of how hold at most 40 characters, four of them;
// a drawing has at most seven lines of 36.
type view struct {
	name    string
	how     []string
	drawing []string
}

// picture cuts a drawing into its lines.
func picture(s string) []string { return strings.Split(strings.Trim(s, "\n"), "\n") }

var (
	drawPlan = picture(`
                    __|  floor
          F2     __|
              __|
   L1 _______|
    _|
  _|   F1
_|  floor
`)
	drawCount = picture(`
               +------ floor above
             4 |
          +----+
        3 |      4 rises,
     +----+      3 treads
   2 |
+----+ <- 1, from the floor below
`)
	drawBays = picture(`
   O==left-1==O==left-2==O

      -> up the stair

   O========right========O

   O post    = rails of a bay
`)
	drawStringAngle = picture(`
                    _-'
       gauge    _-'
         [===]-'   string
         _-'
     _-'  \ angle
 _-'_______) _ _ _ _ level
`)
	drawWidth = picture(`
   wall             string
    |    next nosing   |
    |------------------|
    |<---- width ----->|
    |------------------|
    |      ^  up       |
`)
	drawRise = picture(`
                +----------
                |     ^
                |     | rise
                |     v
       +--------+ - - -
       |
  -----+
`)
	drawGoing = picture(`
         |<-going->|
         :         +--------
         :         |
         +---------+
         |  nosing to nosing,
   +-----+  tape level
   |
`)
	drawHeadroom = picture(`
   ____________  ceiling or edge
               |  ^
                  | plumb
                  v
              +---*---
        +-----+   nosing line
        |
`)
	drawTotalRise = picture(`
                  +------- floor
                  |     ^
             +----+     | total
        +----+          | rise
   +----+               |
   |                    v
 --+------------------------ floor
`)
	drawTotalGoing = picture(`
                  +------- floor
             +----+ :
        +----+      :
   +----+           :
   |                :
   |<-total going ->|  level
  first          last riser
`)
	drawSide = picture(`
    +----top nosing----+
    |^                ^|
    ||left       right||
    ||                ||   on the
    |v                v|   slope
    +---bottom nosing--+
`)
	drawDiagonal = picture(`
    +----top nosing----+
    |\                /|
    |   \          /   |
    |       \  /       | / rising
    |       /  \       |
    |   /          \   | \ falling
    +/--bottom nosing-\+
`)
	drawSpindle = picture(`
    |  |       |  |
    |  |       |  |   at its ends,
    |  |       |  |   where it is
    |  |       |  |   square
   =======base rail=====
    |<>| width x depth
`)
	drawPostSection = picture(`
     plan of the post

      +-------+  ^
      |       |  | second: across
      |       |  |
      +-------+  v
      |<----->| first: along the bay
`)
	drawPostPosition = picture(`
             | |  <- face towards
       lower | |     the bay
        post | |
           +-+ +-----
      +----+   :
      |<------>:  level
   bottom riser
`)
	drawLeanAlong = picture(`
        |level  //
        |<- d->//    side view
        |     //
        |    //   + leans up the
        |   //      stair: d over
        |  //       the level's
        | //        length
`)
	drawLeanAcross = picture(`
    |level  //
    |<- d->//   seen from below
    |     //    the stair, the
    |    //     well on the right
    |   //
    |  //    + leans to the well
    | //
`)
	drawBaseAngle = picture(`
 ||            _-||
 ||        _-'   ||  handrail
 ||    _-'       ||
 ||_-'         _-||
 ||   [===]_-'   ||  base rail
 ||    _-'       ||
 ||_-'           ||  [===] gauge
`)
	drawRailAngle = picture(`
 ||            _-||
 ||        _-'   ||  handrail
 ||    _-'       ||
 ||_-'  [===]  _-||
 ||        _-'   ||  base rail
 ||    _-'       ||
 ||_-'           ||  [===] gauge
`)
	drawGap = picture(`
 ||            _-||
 ||        _-'   ||  handrail
 ||    _-'       ||
 ||_-'   ^ gap _-||
 ||      v _-'   ||  base rail
 ||    _-'       ||
 ||_-'           ||  plumb
`)
	drawRun = picture(`
                  ||
                 o||  mark h up
                 :||
  mark ||o<-run->:||  plumb line
  h up ||     _-' ||
       || _-'     ||
       ||'  base rail
`)
	drawBowBase = picture(`
   #_____________________#  line
   #          | read     #
   #      .-~~v~~-.      #
   #_.-~~~         ~~~-._#  rail

   # packing. Bow: packing less
     reading, + humps up
`)
	drawBowRail = picture(`
         .-~~~~~~-.
   #.-~~~    ^     ~~~-.#  rail
   #         | read     #
   #_________v__________#  line

   # packing. Bow: reading less
     packing, + humps up
`)
	drawFrame = picture(`
                   _-|| D
               _-'   ||
           _-'       ||
  B ||_-'         _-'|| C
    ||        _-'
    ||    _-'   rising  A to D
  A ||_-'       falling B to C
`)
	drawGuard = picture(`
        _-'  top of the handrail
    _-' ^
 _-'    | plumb        +---
        |         +----+
        v    +----*  nosing
        *----+
        nosing line
`)
	drawFillet = picture(`
    spindle  fillet  spindle
     |   |           |   |
     |   |___________|   |
     |   |___________|   | thick
    _|___|___________|___|_
   |   groove of the rail  |
   |_______________________|
`)
	drawMoisture = picture(`
       ____________________
      /  handrail   ||    /|
     /              ||   / |
    /_______________VV__/  |
    |  pins along the   | /
    |  grain, away from |/
    |__the_end__________|
`)
)

var views = map[survey.What]view{
	survey.StringAngle:   {"String angle", []string{"Lay the gauge along the string on a", "clean straight stretch. Turn it end for", "end and take the mean of both."}, drawStringAngle},
	survey.Width:         {"Clear width", []string{"Square across the flight, string to", "string or to the wall, at the nosing.", "Move the tape and keep the least."}, drawWidth},
	survey.Rise:          {"Rise", []string{"Stand the tape plumb at the nosing, from", "one tread up to the next. On carpet", "press to the timber, or skip."}, drawRise},
	survey.Going:         {"Going", []string{"Level from nosing to nosing, on the", "line people walk. A square held on the", "lower nosing carries it up."}, drawGoing},
	survey.Headroom:      {"Headroom, where it is least", []string{"Plumb from the line of the nosings to", "whatever hangs lowest above it. Try a", "step either way and keep the least."}, drawHeadroom},
	survey.TotalRise:     {"Total rise", []string{"Plumb from finished floor to finished", "floor. Read it in one go: a sum of the", "steps would check nothing."}, drawTotalRise},
	survey.TotalGoing:    {"Total going", []string{"Level from the face of the first riser", "to the face of the last, or along a", "landing from end to end. In one go."}, drawTotalGoing},
	survey.Side:          {"Side on the slope", []string{"Along the string from the bottom nosing", "to the top one. Use the same two nosings", "for both sides and both diagonals."}, drawSide},
	survey.Diagonal:      {"Diagonal on the slope", []string{"Corner to corner between the two nosings", "of the sides. Rising goes from the left", "at the bottom to the right at the top."}, drawDiagonal},
	survey.SpindleSize:   {"Spindle section", []string{"Width along the bay, then depth across", "it, at the square end. Of a turned one", "add the thinnest: 41 x 41 x 22."}, drawSpindle},
	survey.FilletSize:    {"Fillet section", []string{"Width across the rail, as the groove is", "wide, then thickness: 41 x 8. Of the", "stock in hand. Skip it without fillets."}, drawFillet},
	survey.PostSection:   {"Section", []string{"Along the bay first, then across it,", "just above the base rail. Caps and", "mouldings do not count."}, drawPostSection},
	survey.PostPosition:  {"Position", []string{"Level from the face of the bottom riser", "to the post's face towards this bay.", "Below the riser it is negative."}, drawPostPosition},
	survey.LeanAlong:     {"Lean along", []string{"Level upright against the post, one end", "touching. Read the gap d at the other", "end: d in the level's length. Leaning up", "the stair is +."}, drawLeanAlong},
	survey.LeanAcross:    {"Lean across", []string{"As along, on a face a quarter turn", "round: d at the open end, in the level's", "length. Leaning to the well is +."}, drawLeanAcross},
	survey.BaseAngle:     {"Base rail angle", []string{"Gauge along the top of the base rail,", "beside the station and clear of dirt and", "old paint. Falling up the stair is -."}, drawBaseAngle},
	survey.RailAngle:     {"Handrail angle", []string{"Gauge along the underside of the", "handrail, above where the base rail was", "read. Turn it round and take the mean."}, drawRailAngle},
	survey.Gap:           {"Gap", []string{"Plumb from the top of the base rail to", "the underside of the handrail. Pinch two", "rods in it and read them in the hand."}, drawGap},
	survey.Run:           {"Run", []string{"Mark both posts at this height above the", "base rail, on the faces to the bay. Read", "the level distance between the marks; a", "plumb line brings the upper one down."}, drawRun},
	survey.BowBase:       {"Bow of the base rail", []string{"Line tight along the rail on two equal", "packings. At mid-run read square to the", "rail: packing less reading. Hump is +."}, drawBowBase},
	survey.BowRail:       {"Bow of the handrail", []string{"Line tight under the handrail on two", "equal packings. At mid-run read square", "to it: reading less packing. Hump is +."}, drawBowRail},
	survey.FrameDiagonal: {"Frame diagonal", []string{"Rising: lower post at the base rail to", "upper post at the handrail. Falling: the", "other two corners. Faces to the bay."}, drawFrame},
	survey.GuardHeight:   {"Guard height", []string{"Plumb from the line of the nosings, or", "the floor of a landing, to the top of", "the handrail."}, drawGuard},
	survey.Moisture:      {"Moisture of the timber", []string{"Pins along the grain, in sound bare", "timber away from an end. Skip it when no", "meter is at hand."}, drawMoisture},
}
