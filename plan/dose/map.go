package dose

import (
	"cmp"
	"iter"
	"slices"

	"kerfgate/plan/geom"
)

// CellUM is the side of a cell of the map.
const CellUM = 500

const (
	tileSide = 64 // cells along a tile's side
	// MostTiles bounds a map: 2048 tiles of 32 × 32 mm hold two square metres and take 64 MiB.
	MostTiles = 2048
)

// Map is the energy that each half-millimetre cell of the sheet gets, in the strokes' coordinates. Cells
// exist only where the beam has been.
type Map struct {
	tiles map[[2]int64]*[tileSide * tileSide]int64 // pJ
}

func newMap() *Map { return &Map{tiles: map[[2]int64]*[tileSide * tileSide]int64{}} }

// add says whether there was room.
func (m *Map) add(s share) bool {
	x, y := floor(s.at.X, CellUM), floor(s.at.Y, CellUM)
	key := [2]int64{floor(x, tileSide), floor(y, tileSide)}
	t := m.tiles[key]
	if t == nil {
		if len(m.tiles) == MostTiles {
			return false
		}
		t = new([tileSide * tileSide]int64)
		m.tiles[key] = t
	}
	t[(y-key[1]*tileSide)*tileSide+x-key[0]*tileSide] += s.energyPJ
	return true
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
		keys := make([][2]int64, 0, len(m.tiles))
		for key := range m.tiles {
			keys = append(keys, key)
		}
		slices.SortFunc(keys, func(a, b [2]int64) int {
			return cmp.Or(cmp.Compare(a[1], b[1]), cmp.Compare(a[0], b[0]))
		})
		for _, key := range keys {
			for i, e := range m.tiles[key] {
				x, y := key[0]*tileSide+int64(i%tileSide), key[1]*tileSide+int64(i/tileSide)
				if e > 0 && !yield(Cell{geom.Pt(x*CellUM, y*CellUM), e}) {
					return
				}
			}
		}
	}
}

// At is the area dose of the cell that holds a place, in µJ/mm².
func (m *Map) At(p geom.Point) int64 {
	x, y := floor(p.X, CellUM), floor(p.Y, CellUM)
	key := [2]int64{floor(x, tileSide), floor(y, tileSide)}
	t := m.tiles[key]
	if t == nil {
		return 0
	}
	return Cell{EnergyPJ: t[(y-key[1]*tileSide)*tileSide+x-key[0]*tileSide]}.UJPerMM2()
}

// floor is a/b rounded down.
func floor(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
