// Package drawing draws what was found, as pages of package scene.
//
// [Bay] is a bay to scale with its dimensions, [Errors] the same bay with what
// is out of true made larger by a factor that is written on it, [Plan] a flight
// in plan both ways, and [Template] a bevel at its full size. Flags stand as
// numbered balloons at the place they concern, and in words beside the drawing;
// a filled balloon is a flag, an open one with a question mark cannot be told
// yet, so no colour is needed to tell them apart.
//
// What was not read is drawn dashed, as if it were true, and the page says what
// is missing. A reading that was struck or set aside is in no figure and so in no
// drawing.
//
// Scales are those of ISO 5455, lines and dimensions follow ISO 128 and ISO
// 129-1, frame and title block ISO 5457 and ISO 7200, all from memory.
package drawing

import (
	"math"
)

func finite(v ...float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
