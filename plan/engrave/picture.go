package engrave

import "kerfgate/plan/drawing"

// Picture engraves a picture: it is resampled to dots one line pitch wide and high, halftoned, and
// passed row by row; what is white is not passed at all, or at the travel speed where that is
// quicker. It is refused for a tool that cannot be switched from dot to dot. Errors are *Refusal. A
// picture without a dot gives no rows.
//
// The plan's y grows upwards where the drawing's grows downwards; rows lie on whole µm.
func Picture(pic drawing.Picture, p Pattern, limits Limits) ([]Row, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	if err := p.mustKeepUp(); err != nil {
		return nil, err
	}
	limits = limits.WithDefaults()
	g, err := newGrid(pic, p.PitchUM, limits)
	if err != nil {
		return nil, err
	}
	d, err := newDots(p, int(g.columns))
	if err != nil {
		return nil, err
	}
	c := newCarriage(p, limits, true)
	var runs []run
	for k := range g.rows {
		runs = g.runs(d.next(g.row(k)), runs[:0])
		if err := c.level(g.height(k), runs); err != nil {
			return nil, err
		}
	}
	return c.done()
}

// runs appends the runs of neighbouring dots.
func (g *grid) runs(dark []bool, runs []run) []run {
	for x := 0; x < len(dark); x++ {
		if !dark[x] {
			continue
		}
		first := x
		for x < len(dark) && dark[x] {
			x++
		}
		runs = append(runs, run{g.origin.X + int64(first)*g.pitch, g.origin.X + int64(x)*g.pitch})
	}
	return runs
}
