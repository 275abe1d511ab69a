package dose

// pieces gathers the dose along one stroke, over pieces of exactly one spot's width from where the beam
// goes on; what is left at the end of a part belongs to the piece before it if it is less than half
// of one. Energies are pJ, lengths µm.
type pieces struct {
	spot               float64
	energy, um         float64 // of the piece under way
	lastEnergy, lastUM float64 // of the one before it
	least, most        float64 // pJ/µm
}

// add takes a burn into account. Its dose only rises or only falls along the way, so that of the
// pieces that lie wholly in it the first and the last are the extremes.
func (p *pieces) add(c course, whole, length float64) {
	first := p.spot - p.um
	if length == 0 || length < first {
		p.energy, p.um = p.energy+whole, p.um+length
		return
	}
	given, end := 0.0, first
	upTo := func(d float64) float64 { // the energy from the end of the last piece to d
		until := float64(whole * c.time(min(1, d/length)))
		e := until - given
		given = until
		return e
	}
	p.energy, p.um = p.energy+upTo(end), p.spot
	p.next()
	n := int((length - first) / p.spot)
	for i := 1; i <= n; i++ {
		if i == 2 && n > 3 { // on to the last but one, which is counted once the last is known
			i = n - 1
			end = first + float64(float64(i-1)*p.spot)
			upTo(end)
		}
		end = first + float64(float64(i)*p.spot)
		p.energy, p.um = upTo(end), p.spot
		p.next()
	}
	p.energy, p.um = whole-given, max(0, length-end)
}

// next begins a piece.
func (p *pieces) next() {
	p.count()
	p.lastEnergy, p.lastUM, p.energy, p.um = p.energy, p.um, 0, 0
}

// count takes the piece before the one under way into account.
func (p *pieces) count() {
	if p.lastUM > 0 {
		p.least, p.most = min(p.least, p.lastEnergy/p.lastUM), max(p.most, p.lastEnergy/p.lastUM)
	}
}

// flush ends a part of the stroke.
func (p *pieces) flush() {
	if p.um >= p.spot/2 {
		p.next()
	} else {
		p.lastEnergy, p.lastUM = p.lastEnergy+p.energy, p.lastUM+p.um
	}
	p.count()
	p.energy, p.um, p.lastEnergy, p.lastUM = 0, 0, 0, 0
}
