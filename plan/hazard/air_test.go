package hazard

import (
	"errors"
	"math"
	"testing"

	"kerfgate/plan/material"
)

// TestPurge: whole seconds up, at least the floor, at most the cap (own figures), nothing from what is no quantity.
func TestPurge(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		volume, flow, mixing int64
		want                 int64
		err                  error
	}{
		{60, 150, 0, 100, nil}, // 99.47 rounded up
		{60, 150, 3, PurgeFloorS, nil},
		{60, 150, 10, 100, nil},
		{600, 150, 10, 0, ErrPurgeLong}, // 995 s
		{500, 150, 10, 829, nil},
		{0, 150, 0, 0, ErrAirUnknown},
		{60, 0, 0, 0, ErrAirUnknown},
		{-60, 150, 0, 0, ErrAirUnknown},
		{60, -1, 0, 0, ErrAirUnknown},
		{60, 150, -3, 0, ErrMixing},
	} {
		got, err := PurgeOf(tc.volume, tc.flow, tc.mixing, material.Material{Composition: material.Of("poplar", "urea glue")})
		if got != tc.want || !errors.Is(err, tc.err) {
			t.Errorf("%+v: got %d, %v", tc, got, err)
		}
	}
	for _, bad := range [][4]float64{
		{math.NaN(), 1, 1, 0.5}, {1, math.NaN(), 1, 0.5}, {1, 1, math.NaN(), 0.5}, {1, 1, 1, math.NaN()},
		{math.Inf(1), 1, 1, 0.5}, {1, math.Inf(1), 1, 0.5}, {1, 1, 0.99, 0.5}, {1, 1, 1, 1}, {1, 1, 1, 0},
	} {
		if got, err := ClearingTime(bad[0], bad[1], bad[2], bad[3]); err == nil {
			t.Errorf("%v: got %v", bad, got)
		}
	}
}

// TestPurgeOf: acrylic, and what nobody knows, wait 120 s at least; everything else 60 s (own floors). A
// weak extraction makes both longer, and the cap holds for both.
func TestPurgeOf(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, composition string
		want              int64
	}{
		{"poplar plywood", "poplar, urea glue", PurgeFloorS},
		{"grey card", "cellulose, starch", PurgeFloorS},
		{"clear sheet", "poly(methyl methacrylate)", PurgeGassingS},
		{"clear sheet", "PMMA, cast", PurgeGassingS},
		{"Acrylic sheet", "see the lot's data sheet", PurgeGassingS},
		{"sheet from the shelf", "", PurgeGassingS},
		{"sheet from the shelf", "  ", PurgeGassingS},
		{"sheet from the shelf", "Unknown", PurgeGassingS},
	} {
		m := material.Material{Name: c.name, Composition: material.Of(c.composition)}
		if got := PurgeFloor(m); got != c.want {
			t.Errorf("floor of %+v is %d", m, got)
		}
		if got, err := PurgeOf(10, 150, 0, m); err != nil || got != c.want { // 17 s by the formula
			t.Errorf("%+v: %d s, %v", m, got, err)
		}
		if got, err := PurgeOf(500, 150, 0, m); err != nil || got != 829 {
			t.Errorf("%+v behind a weak extraction: %d s, %v", m, got, err)
		}
		if _, err := PurgeOf(600, 150, 0, m); !errors.Is(err, ErrPurgeLong) {
			t.Errorf("%+v behind a very weak extraction: %v", m, err)
		}
	}
}
