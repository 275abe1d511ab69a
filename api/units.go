package api

import (
	"math"

	"kerfgate/api/wire"
	"kerfgate/plan/geom"
)

// Inside lengths are whole micrometres and times whole milliseconds; outside they are decimals in
// millimetres and seconds.

func mm(um int64) float64 { return float64(um) / 1000 }

func seconds(ms int64) float64 { return float64(ms) / 1000 }

// farthestMM bounds every length that comes from outside: ten metres.
const farthestMM = 10_000

// micrometres rounds millimetres to the grid; the error names the field.
func micrometres(field string, millimetres float64) (int64, error) {
	if math.IsNaN(millimetres) || math.Abs(millimetres) > farthestMM {
		return 0, invalid(field, "no machine here is that large", "give millimetres between -10000 and 10000")
	}
	return int64(math.Round(millimetres * 1000)), nil
}

func boxShape(b geom.Box) wire.Box {
	return wire.Box{MinXMm: mm(b.Min.X), MinYMm: mm(b.Min.Y), MaxXMm: mm(b.Max.X), MaxYMm: mm(b.Max.Y)}
}
