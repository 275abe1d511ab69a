package plan

import (
	"kerfgate/plan/geom"
	"kerfgate/plan/machine"
	"kerfgate/plan/motion"
)

// Steps are what a page needs to step or play through a plan: when what is done, and where the carriage is
// at each time. Lengths are µm in the coordinates of Picture: from its upper left corner, y downwards.
// The times are those of the plan's numbers.
type Steps struct {
	WidthUM  int64  `json:"width_um"` // of the picture, whose user unit is a millimetre
	HeightUM int64  `json:"height_um"`
	TotalMS  int64  `json:"total_ms"`
	Steps    []Step `json:"steps"`
	Track    Track  `json:"track"`
}

// Step is a stretch of a run that ends when a piece or drop-out comes loose, or another operation begins.
type Step struct {
	Operation Operation `json:"operation"`
	// Pieces are the numbers of what comes loose at its end, by which Strip and Picture name elements
	// (data-piece). Of most steps of a cut it is one; of a step that only marks or engraves none.
	Pieces []int64 `json:"pieces"`
	FromMS int64   `json:"from_ms"`
	ToMS   int64   `json:"to_ms"`
}

// Track is where the carriage is: it goes straight from each place to the next, with the tool on where On
// is 1 at the next. MS never falls.
type Track struct {
	MS  []int64 `json:"ms"`
	XUM []int64 `json:"x_um"`
	YUM []int64 `json:"y_um"`
	On  []int64 `json:"on"`
}

// mostTrackPlaces bounds a track; a longer one is told more coarsely.
const mostTrackPlaces = 8_000

// StepsOf follows a plan on the machine that it was made for.
func StepsOf(p *Plan, profile machine.Profile) Steps {
	c := newCanvas(geom.Box{Max: p.SheetSize}.Union(p.Extents))
	s := Steps{WidthUM: c.frame.Width(), HeightUM: c.frame.Height(), TotalMS: p.Numbers.TotalMS, Steps: []Step{}}
	ends := make([]int64, len(p.Strokes)) // ms; 0 where the tool was never on
	t := tracker{near: c.near, places: []place{{}}}
	p.job(profile, geom.Point{}).Follow(func(b motion.Burn) bool {
		t.burn(b)
		ends[b.Stroke] = t.last().ms
		return true
	})
	s.Track = t.done(c)
	frees := make([]bool, len(p.Pieces)+2) // by number: a stroke names it
	for _, stroke := range p.Strokes {
		frees[stroke.Piece] = true
	}
	at := int64(0)
	for i, stroke := range p.Strokes {
		at = max(at, ends[i])
		if last := i == len(p.Strokes)-1; !last && stroke.Piece == 0 && p.Strokes[i+1].Operation == stroke.Operation {
			continue
		}
		step := Step{Operation: stroke.Operation, Pieces: []int64{}, ToMS: at}
		if n := len(s.Steps); n > 0 {
			step.FromMS = s.Steps[n-1].ToMS
		}
		if stroke.Piece > 0 { // and what comes loose together with it
			step.Pieces = append(step.Pieces, stroke.Piece)
			for k := stroke.Piece + 1; k <= int64(len(p.Pieces)) && !frees[k]; k++ {
				step.Pieces = append(step.Pieces, k)
			}
		}
		s.Steps = append(s.Steps, step)
	}
	return s
}

// place is one of a track, in the plan's coordinates.
type place struct {
	ms int64
	at geom.Point
	on bool // on the way to it
}

// tracker gathers the places of a track, and fewer of them the more there are.
type tracker struct {
	near   int64 // places with the tool on that lie no farther apart, in µm along x and y, count as one
	places []place
}

func (t *tracker) last() *place { return &t.places[len(t.places)-1] }

func (t *tracker) burn(b motion.Burn) {
	end := (b.AtMicros + b.Micros + 999) / 1000
	if last := t.last(); !last.on || last.at != b.From {
		t.places = append(t.places, place{b.AtMicros / 1000, b.From, false})
	}
	t.places = append(t.places, place{end, b.To, true})
	if len(t.places) > 2*mostTrackPlaces {
		t.thin()
	}
}

// thin leaves out what is nearer than twice as far as before, and if that is not enough, every other line.
func (t *tracker) thin() {
	t.near = 2*t.near + 1
	kept := t.places[:0]
	for i, p := range t.places {
		inner := p.on && i+1 < len(t.places) && t.places[i+1].on
		if !inner || apart(kept[len(kept)-1].at, p.at) >= t.near {
			kept = append(kept, p)
		}
	}
	if len(kept) > mostTrackPlaces {
		line, all := 0, kept
		kept = all[:0]
		for i, p := range all {
			if !p.on {
				line++
			}
			if line%2 == 1 || i == len(all)-1 {
				kept = append(kept, p)
			}
		}
	}
	t.places = kept
}

// done gives the track as the canvas lies.
func (t *tracker) done(c *canvas) Track {
	for len(t.places) > mostTrackPlaces {
		t.thin()
	}
	var out Track
	for _, p := range t.places {
		on := int64(0)
		if p.on {
			on = 1
		}
		out.MS, out.XUM = append(out.MS, p.ms), append(out.XUM, p.at.X-c.frame.Min.X)
		out.YUM, out.On = append(out.YUM, c.frame.Max.Y-p.at.Y), append(out.On, on)
	}
	return out
}
