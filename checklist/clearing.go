package checklist

import (
	"kerfgate/plan/hazard/quantity"
	"kerfgate/plan/machine"
)

// BeamNumbers are what is computed of a beam for eyes: for a data sheet that a doctor reads.
func BeamNumbers(p machine.Profile, tool machine.Tool) []Number {
	return numbersOf(p, tool, quantity.Measures{}, func(row quantity.Row) bool { return row.About == quantity.AboutEyes })
}

// RoomClearing is how long a room takes to clear once nothing smokes any more, down to a hundredth: for people to
// judge by, never a gate. Zero stands for what nobody knows; without outside air there is no such time.
func RoomClearing(roomM3, freshM3PerH float64) Number {
	return numberOrMissing(quantity.RoomClearing(roomM3, freshM3PerH))
}
