package contour

import "kerfgate/plan/geom"

// places is a set of points and of straight ways between two: an open table, since these are asked for
// once for every point of a drawing.
type places struct {
	slots [][2]uint64 // keys of the two points; the second is 0 for a point alone, both for an empty slot
	used  int
}

func newPlaces(some int) *places {
	size := 16
	for size < 2*some {
		size *= 2
	}
	return &places{slots: make([][2]uint64, size)}
}

// find gives the slot of a key, or the empty one where it would be.
func (p *places) find(key [2]uint64) int {
	mask := len(p.slots) - 1
	h := (key[0] ^ key[1]*0x9e3779b97f4a7c15) * 0xd6e8feb86659fd93
	i := int(h>>32) & mask
	for p.slots[i] != key && p.slots[i] != [2]uint64{} {
		i = (i + 1) & mask
	}
	return i
}

// add says whether the key is new.
func (p *places) add(key [2]uint64) bool {
	i := p.find(key)
	if p.slots[i] == key {
		return false
	}
	p.slots[i] = key
	if p.used++; 2*p.used > len(p.slots) {
		old := p.slots
		p.slots = make([][2]uint64, 2*len(old))
		for _, k := range old {
			if k != [2]uint64{} {
				p.slots[p.find(k)] = k
			}
		}
	}
	return true
}

// Coordinates within MostUM have keys over 0.

func pointKey(at geom.Point) [2]uint64 { return [2]uint64{geom.PointKey(at)} }

// wayKey is the same in both directions.
func wayKey(a, b geom.Point) [2]uint64 {
	p, q := geom.PointKey(a), geom.PointKey(b)
	return [2]uint64{min(p, q), max(p, q)}
}

func (p *places) addPoint(at geom.Point) { p.add(pointKey(at)) }

func (p *places) has(at geom.Point) bool {
	key := pointKey(at)
	return p.slots[p.find(key)] == key
}
