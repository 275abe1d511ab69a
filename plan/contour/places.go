package contour

// places numbers keys, but 0, in the order in which they come: an open table, since these are asked for
// once for every point of a drawing.
type places struct {
	slots []placed
	count int
}

type placed struct {
	key    uint64 // 0 for an empty slot
	number int32
}

func newPlaces(some int) *places {
	size := 16
	for size < 2*some {
		size *= 2
	}
	return &places{slots: make([]placed, size)}
}

// find gives the slot of a key, or the empty one where it would be.
func (p *places) find(key uint64) int {
	mask := len(p.slots) - 1
	i := int(key*0xd6e8feb86659fd93>>32) & mask
	for p.slots[i].key != key && p.slots[i].key != 0 {
		i = (i + 1) & mask
	}
	return i
}

// add says whether the key is new.
func (p *places) add(key uint64) bool {
	i := p.find(key)
	if p.slots[i].key == key {
		return false
	}
	p.slots[i] = placed{key, int32(p.count)}
	if p.count++; 2*p.count > len(p.slots) {
		old := p.slots
		p.slots = make([]placed, 2*len(old))
		for _, s := range old {
			if s.key != 0 {
				p.slots[p.find(s.key)] = s
			}
		}
	}
	return true
}

// number is that of a key, −1 where it was not added.
func (p *places) number(key uint64) int32 {
	if s := p.slots[p.find(key)]; s.key == key {
		return s.number
	}
	return -1
}
