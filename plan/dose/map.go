package dose

import (
	"cmp"
	"iter"
	"slices"

	"kerfgate/plan/geom"
)

// CellUM is the side of a cell of the map.
const CellUM = fineUM << mapBits

const (
	mapBits  = 1
	tileBits = 6
	tileSide = 1 << tileBits // cells along a tile's side
	// MostTiles bounds a map: 2048 tiles of 32 × 32 mm hold two square metres and take 64 MiB.
	MostTiles = 2048
)

// Map is the energy that each half-millimetre cell of the sheet gets, in the strokes' coordinates. Cells
// exist only where the beam has been.
type Map struct {
	tiles map[[2]int32]*mapTile
	key   [2]int32 // of the tile that was used last
	last  *mapTile
}

// mapTile holds pJ by row and column.
type mapTile [tileSide * tileSide]int64

func newMap() *Map { return &Map{tiles: map[[2]int32]*mapTile{}} }

// add says whether there was room.
func (m *Map) add(s *share) bool {
	x, y := s.x>>mapBits, s.y>>mapBits
	key := [2]int32{x >> tileBits, y >> tileBits}
	if m.last == nil || key != m.key {
		t := m.tiles[key]
		if t == nil {
			if len(m.tiles) == MostTiles {
				return false
			}
			t = new(mapTile)
			m.tiles[key] = t
		}
		m.key, m.last = key, t
	}
	m.last[inTile(x, y)] += s.energyPJ
	return true
}

// inTile is the place of a cell in its tile.
func inTile(x, y int32) int {
	return int(y&(tileSide-1))*tileSide + int(x&(tileSide-1))
}

// Cell is one cell that got energy.
type Cell struct {
	Min      geom.Point // its lower left corner
	EnergyPJ int64
}

// UJPerMM2 is the cell's area dose in µJ/mm².
func (c Cell) UJPerMM2() int64 {
	const area = CellUM * CellUM / 1_000_000.0
	return int64(float64(c.EnergyPJ)/1e6/area + 0.5)
}

// Cells are the cells that got energy, by tile, row and column.
func (m *Map) Cells() iter.Seq[Cell] {
	return func(yield func(Cell) bool) {
		keys := make([][2]int32, 0, len(m.tiles))
		for key := range m.tiles {
			keys = append(keys, key)
		}
		slices.SortFunc(keys, func(a, b [2]int32) int {
			return cmp.Or(cmp.Compare(a[1], b[1]), cmp.Compare(a[0], b[0]))
		})
		for _, key := range keys {
			for i, e := range m.tiles[key] {
				x, y := int64(key[0])*tileSide+int64(i%tileSide), int64(key[1])*tileSide+int64(i/tileSide)
				if e > 0 && !yield(Cell{geom.Pt(x*CellUM, y*CellUM), e}) {
					return
				}
			}
		}
	}
}

// At is the area dose of the cell that holds a place, in µJ/mm².
func (m *Map) At(p geom.Point) int64 {
	x, y := int32(geom.FloorDiv(p.X, CellUM)), int32(geom.FloorDiv(p.Y, CellUM))
	t := m.tiles[[2]int32{x >> tileBits, y >> tileBits}]
	if t == nil {
		return 0
	}
	return Cell{EnergyPJ: t[inTile(x, y)]}.UJPerMM2()
}
