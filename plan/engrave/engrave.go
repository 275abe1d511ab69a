// Package engrave fills areas and pictures with level rows, along which the carriage goes at a
// constant speed while the tool is switched.
//
// It is pure, and it computes with whole numbers: the same input gives the same rows on every
// target. Rows run along x and are given from the lowest y upwards, in running order.
package engrave

import (
	"fmt"

	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
)

// Row is one pass of the carriage along a straight way, from rest to rest.
type Row struct {
	Points []geom.Point
	// On are the parts of the way with the tool on, in order; the rest is over-travel and blanks.
	// Empty means all of it, which is so where the tool is switched only at rest.
	On []geom.Span
}

// Pattern says how an area or a picture is filled.
type Pattern struct {
	PitchUM      int64 // from row to row; of a picture also from dot to dot along a row
	SpotUM       int64 // width of the tool's line: a shorter blank within a row of an area is covered anyway
	SpeedUMPerS  int64 // of the carriage while the tool is on
	AccelUMPerS2 int64 // of the axis along the rows, x
	TravelUMPerS int64 // with the tool off, for blanks that are worth it; 0 = the work speed
	OneWay       bool  // every row from left to right, where backlash would shift every other one
	Switch       machine.Switch
	Halftone     Halftone // of a picture; empty means Diffusion
	Threshold    uint8    // of the halftone Threshold: darker is engraved; 0 means 128
	Within       geom.Box // where the carriage may go, over-travel included; a zero box bounds nothing
}

// Bounds of a pattern, own choice. Finer rows than the least pitch lie within each other's spot;
// speeds and accelerations beyond theirs would overflow.
const (
	LeastPitchUM = 20
	MostPitchUM  = 10_000
	mostSpeed    = 10_000_000    // µm/s
	mostAccel    = 1_000_000_000 // µm/s²
	mostSwitchMS = 60_000
)

// Limits bound what is made. The zero value of a field means its default.
type Limits struct {
	Rows      int // default 1,000,000
	Spans     int // with the tool on, of all rows; default 2,000,000
	Crossings int // of rows with outlines; default 2,000,000
	Cells     int // dots that a picture is divided into; default 100,000,000
	Samples   int // of a picture's pixels; default 1,000,000,000
}

// WithDefaults fills in what is zero.
func (l Limits) WithDefaults() Limits {
	fill := func(v *int, d int) {
		if *v == 0 {
			*v = d
		}
	}
	fill(&l.Rows, 1_000_000)
	fill(&l.Spans, 2_000_000)
	fill(&l.Crossings, 2_000_000)
	fill(&l.Cells, 100_000_000)
	fill(&l.Samples, 1_000_000_000)
	return l
}

// Refusal says why nothing was engraved, and what to do next.
type Refusal struct {
	What  string
	Next  string
	Limit string
	Value string
}

// Error gives what was found.
func (r *Refusal) Error() string {
	if r.Limit == "" {
		return r.What
	}
	return fmt.Sprintf("%s: limit %s, found %s", r.What, r.Limit, r.Value)
}

// check refuses what no row can be made with.
func (p Pattern) check() error {
	for _, b := range []struct {
		what               string
		value, least, most int64
		unit               string
	}{
		{"the line pitch", p.PitchUM, LeastPitchUM, MostPitchUM, "µm"},
		{"the speed", p.SpeedUMPerS, 1, mostSpeed, "µm/s"},
		{"the acceleration", p.AccelUMPerS2, 1, mostAccel, "µm/s²"},
		{"the travel speed", p.TravelUMPerS, 0, mostSpeed, "µm/s"},
		{"the tool's delay to go on", p.Switch.OnDelayMS, 0, mostSwitchMS, "ms"},
		{"the tool's delay to go off", p.Switch.OffDelayMS, 0, mostSwitchMS, "ms"},
		{"the tool's jitter", p.Switch.JitterMS, 0, mostSwitchMS, "ms"},
	} {
		if b.value < b.least || b.value > b.most {
			return &Refusal{What: b.what + " is out of range", Next: "correct the setting or the machine's profile",
				Limit: fmt.Sprintf("%d to %d %s", b.least, b.most, b.unit), Value: fmt.Sprintf("%d %s", b.value, b.unit)}
		}
	}
	return nil
}

// mm prints µm as millimetres.
func mm(um int64) string { return fmt.Sprintf("%g", float64(um)/1000) }
