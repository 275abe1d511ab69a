package route

import (
	"math"
	"testing"

	"kerfgate/plan/geom"

	"pgregory.net/rapid"
)

// TestEntriesOnEdges: a square of 20 mm is entered every 5 mm; begun at any of its entries it is the
// same square, from that point to it.
func TestEntriesOnEdges(t *testing.T) {
	t.Parallel()
	square := []geom.Point{mm(0, 0), mm(20, 0), mm(20, 20), mm(0, 20), mm(0, 0)}
	entries := Entries(square, 64, 5_000)
	if len(entries) != 16 || entries[1] != (Entry{0, mm(5, 0)}) || entries[15] != (Entry{3, mm(0, 5)}) {
		t.Fatalf("entries %v", entries)
	}
	for _, e := range entries {
		begun := e.Begin(square)
		if begun[0] != e.At || begun[len(begun)-1] != e.At || geom.Area(begun) != 400e6 || geom.Length(begun) != 80_000 {
			t.Errorf("begun at %v: %v", e, begun)
		}
	}
	if few := Entries(square, 3, 5_000); len(few) > 3 {
		t.Errorf("%d entries, at most 3", len(few))
	}
}

// TestEntriesHold: no more than asked for, in order along the line, and what is begun at one is as long
// as the line but for rounding.
func TestEntriesHold(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 90).Draw(t, "n")
		line := make([]geom.Point, n)
		for i := range line {
			a, r := 2*math.Pi*float64(i)/float64(n), rapid.Float64Range(1, 40).Draw(t, "r")
			line[i] = mm(r*math.Cos(a), r*math.Sin(a))
		}
		line = append(line, line[0])
		most := rapid.IntRange(1, 80).Draw(t, "most")
		entries := Entries(line, most, rapid.Int64Range(100, 20_000).Draw(t, "apart"))
		if len(entries) == 0 || len(entries) > most {
			t.Fatalf("%d entries, at most %d", len(entries), most)
		}
		for i, e := range entries {
			if i > 0 && e.Edge < entries[i-1].Edge {
				t.Fatalf("%v after %v", e, entries[i-1])
			}
			if got, want := geom.Length(e.Begin(line)), geom.Length(line); got < want-1 || got > want+2 {
				t.Fatalf("begun at %v it is %d µm long, the line %d", e, got, want)
			}
		}
	})
}
